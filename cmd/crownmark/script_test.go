package main

import (
	"context"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"crownmark": func() { os.Exit(Run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// The scripts in testdata/script read like a manual of the command line.
func TestScripts(t *testing.T) {
	t.Parallel()
	engines, err := os.ReadDir("testdata/engines")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error { // the engine files lie at hand
			for _, f := range engines {
				b, err := os.ReadFile("testdata/engines/" + f.Name())
				if err != nil {
					return err
				}
				if err := os.WriteFile(e.WorkDir+"/"+f.Name(), b, 0o644); err != nil {
					return err
				}
			}
			return nil
		},
	})
}
