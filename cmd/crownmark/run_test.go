package main

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const absentBench = `[bench]
name = "window bench"
[encoder]
port = "/dev/serial/by-id/not-plugged-in"
baud = 115200
pattern = '^(?P<count>[-+]?\d+)$'
counts_per_rev = 7200
[[indicator]]
name = "left"
port = "/dev/serial/by-id/not-there-either"
baud = 9600
pattern = '^(?P<value>[-+]\d+\.\d+)$'
[http]
listen = "127.0.0.1:0"
`

// Without a single instrument the daemon is up at once, waits for them, and
// ends cleanly when told to.
func TestRunWaitsForItsInstruments(t *testing.T) {
	t.Parallel()
	config := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(config, []byte(absentBench), 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out, told := io.Pipe()
	ended := make(chan int, 1)
	begun := time.Now()
	go func() {
		ended <- Run(ctx, []string{"run", "--simulated", "--config", config}, nil, told, io.Discard)
		told.Close()
	}()
	page := ""
	for lines := bufio.NewScanner(out); page == "" && lines.Scan(); {
		page, _ = strings.CutPrefix(lines.Text(), "page: ")
		if !strings.HasPrefix(page, "http://127.0.0.1:") {
			page = ""
		}
	}
	t.Logf("page after %v", time.Since(begun))
	for path, want := range map[string]int{"/healthz": 200, "/readyz": 503, "/": 200, "/api/v1/bench": 200, "/metrics": 200} {
		answer, err := http.Get(page + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(answer.Body)
		_ = answer.Body.Close()
		if marked := strings.Contains(string(body), `"simulated":true`); err != nil || marked != (path == "/api/v1/bench") {
			t.Errorf("%s: %v; marked as simulated: %v", path, err, marked)
		}
		if answer.StatusCode != want {
			t.Errorf("%s: %s, want %d", path, answer.Status, want)
		}
	}
	if status, out, errs := crownmark(t, "jobs", "--config", config); status != exitDone || out != "no jobs yet\n" {
		t.Errorf("jobs beside the daemon: %d %s%s", status, out, errs)
	}
	if status, _, errs := crownmark(t, "run", "--config", config); status != exitNot || !strings.Contains(errs, "another crownmark has this store open") {
		t.Errorf("a second daemon: %d %s", status, errs)
	}
	cancel()
	if status := <-ended; status != exitDone {
		t.Errorf("ended with status %d", status)
	}
}
