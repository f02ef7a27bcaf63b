package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/crank"
	"crownmark/fit/sweepcsv"
)

// shown is an indicator on a pseudo-terminal, 25 lines a second; its display
// glides to what it is set to.
type shown struct {
	mu     sync.Mutex
	at, to float64
}

func (d *shown) set(mm float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.to = mm
}

func (d *shown) speak(ctx context.Context, p *virtual.PTY) {
	each := time.NewTicker(40 * time.Millisecond)
	defer each.Stop()
	for {
		select {
		case <-each.C:
			d.mu.Lock()
			d.at += math.Max(-0.05, math.Min(d.to-d.at, 0.05))
			line := fmt.Sprintf("%+.3f mm\r\n", d.at)
			d.mu.Unlock()
			if err := p.Write([]byte(line)); err != nil {
				return
			}
		case <-ctx.Done():
			return
		}
	}
}

// record runs the command and answers its questions with answer, told each line
// that it says; "" from answer means nothing to say.
func record(t *testing.T, args []string, answer func(line string) (say string, speaks bool)) string {
	t.Helper()
	return converse(t, append([]string{"record", "--marks"}, args...), answer)
}

// converse is record for any command.
func converse(t *testing.T, args []string, answer func(line string) (say string, speaks bool)) string {
	t.Helper()
	in, say := io.Pipe()
	out, told := io.Pipe()
	status := make(chan int, 1)
	var errs strings.Builder
	go func() {
		status <- Run(t.Context(), args, in, told, &errs)
		told.Close()
	}()
	var all strings.Builder
	for lines := bufio.NewScanner(out); lines.Scan(); {
		fmt.Fprintln(&all, lines.Text())
		if text, speaks := answer(lines.Text()); speaks {
			fmt.Fprintln(say, text)
		}
	}
	if got := <-status; got != exitDone {
		t.Fatalf("status %d: %s\n%s", got, errs.String(), all.String())
	}
	return all.String()
}

// With a live display on a real port: Enter is pressed while the crank still
// turns, and what the display shows is taken only once it stands.
func TestRecordMarksWithALiveDisplay(t *testing.T) {
	t.Parallel()
	p, err := virtual.OpenPTY(func([]byte) {})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	display := &shown{at: -2, to: -2}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	go display.speak(ctx, p)
	dir := t.TempDir()
	bench := filepath.Join(dir, "bench.toml")
	text := fmt.Sprintf("[encoder]\nformat = \"marks\"\nangle_u_deg = 0.3\n[[indicator]]\nname = \"left\"\nport = %q\nbaud = 9600\npattern = '^\\s*(?P<value>[-+]?\\d+\\.\\d+)\\s*(?P<unit>mm|in)?\\s*$'\n", p.Path())
	if err := os.WriteFile(bench, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "marks.csv")
	heights := []float64{-2.5, -1.2, -0.5, 0, -0.5, -1.2, -2.5}
	n := 0
	said := record(t, []string{"--engine", "testdata/engines/practice-four.toml", "--config", bench, "-o", file, "--step", "6", "--span", "18"}, func(line string) (string, bool) {
		if !strings.Contains(line, ": turn to") {
			return "", false
		}
		if n == len(heights) {
			return "q", true
		}
		display.set(heights[n])
		n++
		time.Sleep(250 * time.Millisecond) // it glides
		return "", true
	})
	if !strings.Contains(said, "waiting: the display does not stand still: indicator left still moves") || !strings.Contains(said, "(display steady, read 0.") {
		t.Errorf("said\n%s", said)
	}
	f, err := readTable(file, nil, sweepcsv.Read)
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Sweeps) != 1 || f.Sweeps[0].AngleUDeg != 0.3 || f.Sweeps[0].Indicator != "left" || fmt.Sprint(f.Sweeps[0].Height.V) != fmt.Sprint(heights) {
		t.Errorf("kept %+v, want %v\n%s", f.Sweeps, heights, said)
	}
}

// Every pair is on the disk when it is shown, and nothing else is.
func TestRecordMarksKeepsEachPair(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "marks.csv")
	pairs, taken := []string{"-9 -0.8", "-6 -0.4", "u", "-6 -0.35", "-3 -0.1", "q"}, 0
	kept := func() int {
		f, err := os.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		in, err := sweepcsv.Read(file, f)
		if err != nil {
			return 0 // nothing but the header
		}
		return len(in.Sweeps[0].Height.V)
	}
	record(t, []string{"--engine", "testdata/engines/practice-four.toml", "-o", file}, func(line string) (string, bool) {
		if !strings.Contains(line, ": turn to") {
			return "", false
		}
		if want := []int{0, 1, 2, 1, 2, 3}[taken]; kept() != want {
			t.Errorf("before %q the file holds %d pairs, want %d", pairs[taken], kept(), want)
		}
		taken++
		return pairs[taken-1], true
	})
}

// Both typed, to a daemon's job or to a file: the third piston's top is 1.2°
// late, and the fit says so within its doubt.
func TestRecordMarksFindsTheTop(t *testing.T) {
	t.Parallel()
	g, err := crank.New(86, 143.5, -0.8)
	if err != nil {
		t.Fatal(err)
	}
	eye := []float64{0.1, -0.2, 0.15, 0, -0.1, 0.25, -0.05, 0.2, -0.15, 0.05, -0.3, 0.1, 0.05}
	tops := map[string]float64{"1": 0.7, "3": 181.9}
	lines := []string{}
	for _, cylinder := range []string{"1", "3"} {
		for _, way := range []float64{1, -1} {
			for i := -7.0; i <= 7; i++ {
				mark := 3*i*way + 180*math.Round(tops[cylinder]/180)
				y, _ := g.Rise(mark + eye[(len(lines)*7)%len(eye)] - tops[cylinder])
				lines = append(lines, fmt.Sprintf("%g %.2f", mark, y+0.118))
			}
			lines = append(lines, "r")
		}
		lines = append(lines, "c 3")
	}
	answers := func() func(string) (string, bool) {
		n := -1
		return func(line string) (string, bool) {
			if !strings.Contains(line, ": turn to") {
				return "", false
			}
			if n++; n == len(lines) {
				return "q", true
			}
			return lines[n], true
		}
	}
	file := filepath.Join(t.TempDir(), "marks.csv")
	record(t, []string{"--engine", "testdata/engines/practice-four.toml", "-o", file}, answers())
	var out, errs strings.Builder
	if status := Run(t.Context(), []string{"fit", "--json", file, "--engine", "testdata/engines/practice-four.toml"}, nil, &out, &errs); status != exitDone {
		t.Fatal(errs.String())
	}
	var x fit.Index
	if err := json.Unmarshal([]byte(out.String()), &x); err != nil {
		t.Fatal(err)
	}
	holdsTheTop(t, "file", x)

	base, stop := eyeDaemon(t)
	defer stop()
	said := record(t, []string{"--daemon", base, "--job", "1", "--indicator", "plain"}, answers())
	if !strings.Contains(said, "sweep 4: cylinder 3, turning back, 15 marks from 201° to 159°") {
		t.Errorf("said\n%s", said)
	}
	var kept fit.Index
	if err := callAPI(t.Context(), "GET", base+"/api/v1/jobs/1/index", "", nil, &kept); err != nil {
		t.Fatal(err)
	}
	holdsTheTop(t, "daemon", kept)
}

func holdsTheTop(t *testing.T, where string, x fit.Index) {
	t.Helper()
	c := x.Cylinders[2]
	if c.IndexErrorDeg == nil {
		t.Fatalf("%s: no index: %+v", where, c)
	}
	if miss := math.Abs(*c.IndexErrorDeg - 1.2); miss > *c.IndexU95Deg || *c.IndexU95Deg > 0.2 || *c.IndexU95Deg < 0.03 || c.Samples != 30 {
		t.Errorf("%s: index %.3f ± %.3f from %d, the truth is 1.2", where, *c.IndexErrorDeg, *c.IndexU95Deg, c.Samples)
	}
}

// eyeDaemon is crownmark run on a bench that people read, with a job.
func eyeDaemon(t *testing.T) (base string, stop func()) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bench.toml")
	text := "[encoder]\nformat = \"marks\"\n[[indicator]]\nname = \"plain\"\nformat = \"typed\"\n[http]\nlisten = \"127.0.0.1:0\"\n"
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	b, err := readBench(path)
	if err != nil {
		t.Fatal(err)
	}
	d, err := openDaemon(t.Context(), b, daemonOptions{Logger: logger(io.Discard, false)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.run(ctx) }()
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	if err := callAPI(t.Context(), "POST", d.page+"/api/v1/jobs", "", map[string]any{"engine": e}, nil); err != nil {
		t.Fatal(err)
	}
	return d.page, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}
