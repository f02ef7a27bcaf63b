// Package store keeps what the bench heard: jobs, sweeps, readings and what a
// person decided about them, in one SQLite file. Rows are only ever inserted;
// state is a view over them, and a chain of hashes over every commit shows
// whether a row was touched later. The package alone turns readings into what
// fit takes.
//
// One process writes a file at a time, through one goroutine; any number of
// readers may look on. Nobody in this process may open the database file
// itself, not even to copy or hash it: Backup makes a copy that may be handled
// freely.
package store
