package engine

import "crownmark/fit/engine/strict"

// Problem is one thing wrong with an engine definition: file and line or JSON
// pointer, what is wrong, and what to do about it.
type Problem = strict.Problem

// Problems is everything found wrong with it, in the order of the file.
type Problems = strict.Problems
