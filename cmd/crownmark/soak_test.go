//go:build soak

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"crownmark/acquire/virtual"
)

// Soak: 5,000 readings a second over pseudo-terminals for a minute, into the
// program as built for release. Asked: every reading that was sent after
// recording began is stored, commit lag p99 ≤ 250 ms, peak memory ≤ 64 MiB,
// ready in under 300 ms, a binary under 40 MiB. Run by `make soak`, not by
// `make test`: it measures.
func TestSoak(t *testing.T) {
	const seconds = 60
	bin := filepath.Join(t.TempDir(), "crownmark")
	build := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", bin, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	size, err := os.Stat(bin)
	if err != nil {
		t.Fatal(err)
	}
	rig, stop := fastRig(t)
	dir := t.TempDir()
	config := writeBench(t, dir, rig.EncoderPort(), rig.IndicatorPort("left"), 7200)
	begun := time.Now()
	p := startRun(t, bin, config)
	ready := time.Since(begun)
	b := &builder{base: p.page}
	type instrument struct{ Live bool }
	await(t, b, "/api/v1/bench", func(v struct {
		Encoder    instrument
		Indicators []instrument
	}) bool {
		return v.Encoder.Live && v.Indicators[0].Live
	})
	var job struct{ ID int64 }
	if err := b.call(t.Context(), "POST", "/api/v1/jobs", map[string]any{"name": "Soak", "engine": json.RawMessage(practiceEngine)}, &job); err != nil {
		t.Fatal(err)
	}
	if err := b.call(t.Context(), "PUT", "/api/v1/bench/selection", map[string]any{"job": job.ID, "cylinders": map[string]int{"left": 1}}, nil); err != nil {
		t.Fatal(err)
	}
	unread := rig.LostBytes() // said before the daemon had opened the ports
	select {
	case <-time.After(seconds * time.Second):
	case <-t.Context().Done():
	}
	unread = rig.LostBytes() - unread
	lag := quantileOfMetric(t, p.page, "crownmark_commit_lag_seconds", 0.99)
	peak, cpu := processFigures(t, p.cmd.Process.Pid)
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, p.errs.String())
	}
	db := filepath.Join(dir, "crownmark.db")
	stored := askInt(t, db, "SELECT count(*) FROM reading")
	// Sequence numbers count every valid reading: a reading lost on the way is a hole.
	span := askInt(t, db, "SELECT sum(n) FROM (SELECT max(seq)-min(seq)+1 AS n FROM reading GROUP BY stream)")
	stop() // the bench's hand, so that the bare loop has the machine as the program had it
	bare := bareLoop(t, db)
	t.Logf("CPU seconds: the whole program %.2f, a bare loop over the same rows in the same batches %.2f, ratio %.2f", cpu, bare, cpu/bare)
	t.Logf("stored %d readings of %d sent since recording began (%.0f/s); bytes nobody read: %d; commit lag p99 %.0f ms; peak memory %.1f MiB; %.1f CPU s per million readings; ready in %d ms; binary %.1f MiB",
		stored, span, float64(stored)/seconds, unread, lag*1000, peak, cpu/float64(stored)*1e6, ready.Milliseconds(), float64(size.Size())/(1<<20))
	if stored != span || unread != 0 || stored < 4500*seconds {
		t.Errorf("stored %d of %d sent; %d bytes unread", stored, span, unread)
	}
	if out, err := exec.Command(bin, "verify", "--config", config).CombinedOutput(); err != nil {
		t.Errorf("verify: %v\n%s", err, out)
	}
}

// fastRig sweeps to and fro for ever with 2,500 lines a second on each port.
func fastRig(t *testing.T) (*virtual.Rig, func()) {
	t.Helper()
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	d := virtual.DefaultDisturbances()
	d.EncoderHz, d.IndicatorHz = 2500, []float64{2500}
	rig, err := virtual.NewRig(virtual.Draw(virtualEngine(e), 3, d), virtual.RigOptions{Speedup: 1, Script: toAndFro, Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- rig.Run(ctx) }()
	stop := sync.OnceFunc(func() {
		cancel()
		<-done
		_ = rig.Close()
	})
	t.Cleanup(stop)
	return rig, stop
}

// quantileOfMetric reads a histogram's quantile off its buckets: the upper
// bound of the bucket where it falls.
func quantileOfMetric(t *testing.T, page, name string, q float64) float64 {
	t.Helper()
	answer, err := http.Get(page + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	h := families[name].GetMetric()[0].GetHistogram()
	for _, b := range h.GetBucket() {
		if float64(b.GetCumulativeCount()) >= q*float64(h.GetSampleCount()) {
			return b.GetUpperBound()
		}
	}
	return math.Inf(1)
}

// processFigures are a process's peak memory (MiB) and its CPU seconds, as the
// kernel counts them.
func processFigures(t *testing.T, pid int) (peakMiB, cpuS float64) {
	t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		if v, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			kb, _ := strconv.ParseFloat(strings.Fields(v)[0], 64)
			peakMiB = kb / 1024
		}
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	f := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
	user, _ := strconv.ParseFloat(f[11], 64)
	system, _ := strconv.ParseFloat(f[12], 64)
	return peakMiB, (user + system) / 100
}
