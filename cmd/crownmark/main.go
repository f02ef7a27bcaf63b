// Crownmark finds the true tops of an engine's pistons and the index errors of
// its crank, from a crank turned by hand.
package main

import (
	"context"
	"os"
)

func main() {
	os.Exit(Run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
