package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

func TestBackup(t *testing.T) {
	o := testOptions(t)
	ctx := context.Background()
	s := open(t, o)
	b := startBench(t, s, newJob(t, s).ID)
	b.sweep(50, 5)
	target := filepath.Join(t.TempDir(), "copy of ünlikely?name#1.db")
	if err := s.Backup(ctx, target); err != nil {
		t.Fatal(err)
	}
	head := verifyOK(t, s).HeadHash
	b.sweep(10, 5)
	if err := s.Backup(ctx, target); !errors.Is(err, ErrExists) {
		t.Errorf("over an existing file: %v", err)
	}
	if err := s.Backup(ctx, filepath.Join(target, "x")); err == nil {
		t.Error("into a file")
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	late := filepath.Join(filepath.Dir(target), "late.db")
	if err := s.Backup(gone, late); err == nil {
		t.Error("with a cancelled context")
	}
	if left := must[[]os.DirEntry](t)(os.ReadDir(filepath.Dir(target))); len(left) != 1 {
		t.Errorf("left behind: %v", left)
	}
	copied := o
	copied.Path, copied.ReadOnly = target, true
	if got := verifyOK(t, open(t, copied)).HeadHash; got != head {
		t.Errorf("head %s, the copy's %s", head, got)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	copied.ReadOnly = false
	w := open(t, copied) // and it can be gone on with
	newJob(t, w)
	verifyOK(t, w)
	copied.Path, copied.ReadOnly = filepath.Join(filepath.Dir(target), "second.db"), true
	if err := w.Backup(ctx, copied.Path); err != nil {
		t.Fatal(err)
	}
	verifyOK(t, open(t, copied))
}
