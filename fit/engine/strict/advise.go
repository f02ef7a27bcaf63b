package strict

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// advise names the known key that an unknown one was probably meant to be, or
// all of them.
func advise(key string, fields map[string]int) string {
	known := slices.Sorted(maps.Keys(fields))
	best, distance := "", 3 // more than two slips are another word
	for _, k := range known {
		d := slips(key, k)
		if stem, _, unit := strings.Cut(k, "_"); unit && (stem == key || strings.HasPrefix(k, key+"_")) {
			d = min(d, 1) // the unit was forgotten
		}
		if d < distance {
			best, distance = k, d
		}
	}
	if best != "" {
		return fmt.Sprintf("did you mean %s?", best)
	}
	return "remove it; known here are " + strings.Join(known, ", ")
}

// slips counts the letters to insert, delete or change between two keys
// (Levenshtein's distance, row by row).
func slips(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
