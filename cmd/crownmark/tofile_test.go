package main

import (
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// A pipe or a device that is named as the output stays one: it is written to,
// and no file is put in its place, as root could do to /dev/null.
func TestOutputIntoAPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := toFile(path, nil, func(w io.Writer) error { _, err := io.WriteString(w, "drawn"); return err }); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode()&os.ModeNamedPipe == 0 {
		t.Fatalf("%v %v", info, err)
	}
	got := make([]byte, 5)
	if _, err := io.ReadFull(r, got); err != nil || string(got) != "drawn" {
		t.Errorf("%q %v", got, err)
	}
}
