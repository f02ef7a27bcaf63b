package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// An input that cannot be read to its end is not taken for one that ended.
func TestRecordSaysWhereItsInputBroke(t *testing.T) {
	file := filepath.Join(t.TempDir(), "marks.csv")
	in := "-9 0.1\n" + strings.Repeat("A", 1<<17) + "\n-6 0.2\n"
	var out, errs strings.Builder
	status := Run(t.Context(), []string{"record", "--marks", "--engine", "testdata/engines/practice-four.toml", "-o", file}, strings.NewReader(in), &out, &errs)
	if status != exitNot || !strings.Contains(errs.String(), "line 2 of the input") || !strings.Contains(errs.String(), "is kept") {
		t.Errorf("status %d: %s", status, errs.String())
	}
	kept, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(kept), "0.1") {
		t.Errorf("%v: kept %q", err, kept)
	}
}

// Who takes part may end it before it serves, and nothing is left behind.
func TestTakePartEndedAtOnce(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	ctx, end := context.WithCancel(t.Context())
	end()
	var out, errs strings.Builder
	if status := Run(ctx, []string{"demo", "--take-part", "--listen", "127.0.0.1:0"}, strings.NewReader(""), &out, &errs); status != exitDone {
		t.Errorf("status %d: %s", status, errs.String())
	}
	left, err := os.ReadDir(os.TempDir())
	if err != nil || len(left) > 0 {
		t.Errorf("%v: left %v", err, left)
	}
}
