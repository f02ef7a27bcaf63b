package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
)

// Without --once the demo goes on serving after its table, and ends with
// status 0 when told to.
func TestDemoGoesOnServing(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out, told := io.Pipe()
	var errs bytes.Buffer
	ended := make(chan int, 1)
	go func() {
		ended <- Run(ctx, []string{"demo", "--fast", "--engine", "testdata/engines/pump-single.toml", "--listen", "127.0.0.1:0"}, nil, told, &errs)
		told.Close()
	}()
	job, serving := "", false
	for lines := bufio.NewScanner(out); !serving && lines.Scan(); {
		line, isMarked := strings.CutPrefix(lines.Text(), simulatedMark)
		if !isMarked {
			t.Errorf("not marked: %q", lines.Text())
		}
		if page, ok := strings.CutPrefix(line, "page: "); ok {
			job = page // the last one is the job's own
		}
		serving = strings.HasPrefix(line, "still serving")
	}
	answer, err := http.Get(job)
	if err != nil {
		t.Fatal(err)
	}
	_ = answer.Body.Close()
	if answer.StatusCode != http.StatusOK || !strings.HasSuffix(job, "/jobs/1") {
		t.Errorf("%s: %s", job, answer.Status)
	}
	cancel()
	if status := <-ended; status != exitDone || errs.Len() > 0 {
		t.Errorf("ended with status %d: %s", status, errs.String())
	}
}

func TestDemoInterrupted(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out, told := io.Pipe()
	var errs bytes.Buffer
	ended := make(chan int, 1)
	go func() {
		ended <- Run(ctx, []string{"demo", "--listen", "127.0.0.1:0"}, nil, told, &errs)
		told.Close()
	}()
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if strings.Contains(lines.Text(), "page: ") {
			cancel()
		}
	}
	if status := <-ended; status != exitNot || errs.String() != "crownmark: interrupted before the work was done; start it again\n" {
		t.Errorf("ended with status %d: %s", status, errs.String())
	}
}
