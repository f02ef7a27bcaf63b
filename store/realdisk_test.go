//go:build soak

package store

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"testing"

	"crownmark/acquire"
)

// The same as TestDiskFull on a file system that really is full. It mounts one,
// so it is part of `make soak`.
func TestRealDiskFull(t *testing.T) {
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=5m", "crownmark-test", dir).CombinedOutput(); err != nil {
		t.Fatalf("cannot mount (run it as root): %s", out)
	}
	defer func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("umount: %s", out)
		}
	}()
	o := Options{Path: dir + "/bench.db", Software: "test"}
	s := must[*Store](t)(Open(context.Background(), o))
	defer s.Close()
	ballast := dir + "/ballast"
	if err := os.WriteFile(ballast, make([]byte, 3<<19), 0o600); err != nil {
		t.Fatal(err)
	}
	b := startBench(t, s, newJob(t, s).ID)
	kept := int64(0)
	var batch acquire.Batch
	var err error
	for range 1000 {
		batch = b.turn(100, 1)
		if _, err = s.Record(context.Background(), batch); err != nil {
			break
		}
		kept += 200
	}
	if !errors.Is(err, ErrStorageFull) || kept == 0 {
		t.Fatalf("after %d readings: %v", kept, err)
	}
	if n := countRows(t, s, "reading"); n != kept {
		t.Errorf("%d readings acknowledged, %d there", kept, n)
	}
	if err := s.Writable(context.Background()); !errors.Is(err, ErrStorageFull) {
		t.Errorf("writable: %v", err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if err := s.Writable(context.Background()); err != nil {
		t.Error("after making room:", err)
	}
	b.record(batch)
	verifyOK(t, s)
}
