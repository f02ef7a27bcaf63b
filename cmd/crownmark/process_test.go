package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"crownmark/acquire/virtual"
	"crownmark/fit"
)

// process is the program as its users start it: a process of its own.
type process struct {
	cmd  *exec.Cmd
	page string
	errs bytes.Buffer
}

// program is this test binary under the name by which it acts as the command.
func program(t testing.TB) string {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "crownmark")
	if err := os.Symlink(self, link); err != nil {
		t.Fatal(err)
	}
	return link
}

// startRun runs the daemon and waits until it has told where its page is.
func startRun(t testing.TB, program, config string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(program, "run", "--config", config)}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.cmd.Stderr = &p.errs
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.kill() })
	for lines := bufio.NewScanner(out); p.page == "" && lines.Scan(); {
		p.page, _ = strings.CutPrefix(lines.Text(), "page: ")
		if !strings.HasPrefix(p.page, "http://") {
			p.page = ""
		}
	}
	if p.page == "" {
		t.Fatalf("no page: %s", p.errs.String())
	}
	return p
}

func (p *process) kill() {
	if p.cmd.ProcessState == nil {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
	}
}

// await asks the API until ok says yes; the test's own deadline ends it.
func await[T any](t *testing.T, b *builder, path string, ok func(T) bool) T {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for {
		var v T
		err := b.call(t.Context(), "GET", path, nil, &v)
		if err == nil && ok(v) {
			return v
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s: still %+v (%v)", path, v, err)
		}
		select {
		case <-time.After(50 * time.Millisecond):
		case <-t.Context().Done():
		}
	}
}

func writeBench(t testing.TB, dir, encoder, indicator string, countsPerRev int) string {
	t.Helper()
	config := filepath.Join(dir, "bench.toml")
	text := fmt.Sprintf(`[bench]
name = "test bench"
data = %q
[encoder]
port = %q
baud = 115200
frame = "8N1"
format = "line"
pattern = '^(?P<count>[-+]?\d+)$'
counts_per_rev = %d
direction = 1
[[indicator]]
name = "left"
port = %q
baud = 9600
frame = "8N1"
format = "line"
pattern = '^\s*(?P<value>[-+]?\s*\d+[.,]?\d*)\s*(?P<unit>mm|in)?\s*$'
unit = "mm"
direction = 1
resolution_mm = 0.001
[http]
listen = "127.0.0.1:0"
`, filepath.Join(dir, "crownmark.db"), encoder, countsPerRev, indicator)
	if err := os.WriteFile(config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return config
}

// otherBench is the bench that testdata/otherbench.py makes.
type otherBench struct {
	in   *bufio.Writer
	out  *bufio.Scanner
	cmd  *exec.Cmd
	port []string
}

func startOtherBench(t *testing.T) *otherBench {
	t.Helper()
	o := &otherBench{cmd: exec.Command("python3", "testdata/otherbench.py")}
	in, err := o.cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := o.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	o.cmd.Stderr = os.Stderr
	if err := o.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = o.cmd.Process.Kill(); _ = o.cmd.Wait() })
	o.in, o.out = bufio.NewWriter(in), bufio.NewScanner(out)
	if !o.out.Scan() {
		t.Fatal("the other bench named no ports")
	}
	o.port = strings.Fields(o.out.Text())
	return o
}

func (o *otherBench) do(t *testing.T, format string, args ...any) {
	t.Helper()
	fmt.Fprintf(o.in, format+"\n", args...)
	if err := o.in.Flush(); err != nil {
		t.Fatal(err)
	}
	if !o.out.Scan() || o.out.Text() != "done" {
		t.Fatalf("%s: the other bench answered %q", format, o.out.Text())
	}
}

// The daemon on bytes from a program in another language, with geometry and
// hand of its own: job by the API, direction confirmed, two cylinders, a sweep
// each way. The oracle is testdata/otherbench.py: cylinder 2 is 0.37° late.
func TestBytesOfAnotherProgram(t *testing.T) {
	other := startOtherBench(t)
	dir := t.TempDir()
	p := startRun(t, program(t), writeBench(t, dir, other.port[0], other.port[1], 3600))
	b := &builder{base: p.page}
	type bench struct {
		Encoder struct{ Live bool }
	}
	await(t, b, "/api/v1/bench", func(v bench) bool { return v.Encoder.Live })
	must := func(method, path string, body, into any) {
		t.Helper()
		if err := b.call(t.Context(), method, path, body, into); err != nil {
			t.Fatal(err)
		}
	}
	var job struct{ ID int64 }
	must("POST", "/api/v1/jobs", map[string]any{"name": "Other", "engine": map[string]any{"name": "Two of another", "stroke_mm": 80, "rod_mm": 132,
		"pin_offset_mm": 0, "cycle_deg": 360, "firing_order": []int{1, 2}, "reference_cylinder": 1}}, &job)
	other.do(t, "turn 20 20")
	must("POST", "/api/v1/bench/direction", map[string]any{"job": job.ID}, nil)
	at := -100.0
	for i, top := range []float64{0, 180} {
		c := i + 1
		for top-30-at < 0 {
			top += 360
		}
		other.do(t, "turn %g 120", top-30-at)
		other.do(t, "stand %d", c)
		must("PUT", "/api/v1/bench/selection", map[string]any{"job": job.ID, "cylinders": map[string]int{"left": c}}, nil)
		other.do(t, "turn 60 12")
		other.do(t, "turn -60 12")
		at = top - 30
		other.do(t, "stand 0")
	}
	must("PUT", "/api/v1/bench/selection", map[string]any{"job": nil, "cylinders": map[string]int{}}, nil)
	var x fit.Index
	must("GET", fmt.Sprintf("/api/v1/jobs/%d/index", job.ID), nil, &x)
	c := x.Cylinders[1]
	if c.IndexErrorDeg == nil {
		t.Fatalf("no index: %s %v %v", x.Status, c.Flags, x.Advice)
	}
	t.Logf("index of cylinder 2: %s°, latency %.1f ms, lash %.3f°", fit.WithDoubt(c.IndexErrorDeg, c.IndexU95Deg), *x.Bench.LatencyMS, *x.Bench.LashDeg)
	if d := *c.IndexErrorDeg - 0.37; d > askedDeg || d < -askedDeg {
		t.Errorf("index error %+.4f°, truth +0.3700°", *c.IndexErrorDeg)
	}
	if x.Simulated {
		t.Error("readings of real ports marked as simulated")
	}
}

// killsAsked is how often TestKilledInMidSweep kills; more by the environment.
func killsAsked() int {
	if n, err := strconv.Atoi(os.Getenv("CROWNMARK_KILLS")); err == nil {
		return n
	}
	return 3
}

// kill -9 in the middle of sweeps: what was acknowledged is there, the sweep is
// marked unfinished, the chain holds, and the next sweep records.
func TestKilledInMidSweep(t *testing.T) {
	rig := sweepingRig(t)
	dir := t.TempDir()
	prog, config := program(t), writeBench(t, dir, rig.EncoderPort(), rig.IndicatorPort("left"), 7200)
	for n := range killsAsked() {
		p := startRun(t, prog, config)
		b := &builder{base: p.page}
		if n == 0 {
			var job struct{ ID int64 }
			if err := b.call(t.Context(), "POST", "/api/v1/jobs", map[string]any{"name": "Killed", "engine": json.RawMessage(practiceEngine)}, &job); err != nil {
				t.Fatal(err)
			}
			if err := b.call(t.Context(), "PUT", "/api/v1/bench/selection", map[string]any{"job": job.ID, "cylinders": map[string]int{"left": 1}}, nil); err != nil {
				t.Fatal(err)
			}
		}
		acked, sweep, stored := watchSweep(t, p, 40+13*n%60)
		p.kill()
		afterKill(t, prog, config, acked, sweep, stored)
	}
	p := startRun(t, prog, config)
	if _, sweep, stored := watchSweep(t, p, 40); sweep == 0 || stored < 40 {
		t.Errorf("after the last kill: sweep %d with %d readings", sweep, stored)
	}
}

const practiceEngine = `{"name":"Practice four","stroke_mm":86,"rod_mm":143.5,"pin_offset_mm":-0.8,"cycle_deg":720,"firing_order":[1,3,4,2],"reference_cylinder":1}`

// sweepingRig is a bench whose hand sweeps cylinder 1 to and fro for ever.
func sweepingRig(t *testing.T) *virtual.Rig {
	t.Helper()
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	rig, err := virtual.NewRig(virtual.Draw(virtualEngine(e), 3, virtual.DefaultDisturbances()), virtual.RigOptions{Speedup: 2, Script: toAndFro, Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- rig.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		<-done
		_ = rig.Close()
	})
	return rig
}

// toAndFro sweeps cylinder 1 both ways until it is told to stop.
func toAndFro(o *virtual.Operator) error {
	if err := o.TurnTo(1, -30, 60); err != nil {
		return err
	}
	if err := o.Stand("left", 1); err != nil {
		return err
	}
	for {
		for _, deg := range []float64{60, -60} {
			if err := o.Turn(deg, 12); err != nil {
				return err
			}
			if err := o.Rest(0.3); err != nil {
				return err
			}
		}
	}
}

// watchSweep follows the live events until a sweep holds so many stored
// readings; it returns the last ledger acknowledged, that sweep and how many of
// its readings were told to be stored.
func watchSweep(t *testing.T, p *process, readings int) (acked, sweep, stored int64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	r, _ := http.NewRequestWithContext(ctx, "GET", p.page+"/api/v1/live", nil)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	kind := ""
	for lines := bufio.NewScanner(answer.Body); lines.Scan(); {
		name, data, _ := strings.Cut(lines.Text(), ": ")
		if name == "event" {
			kind = data
		}
		if name != "data" {
			continue
		}
		var e struct {
			ID, Stored   int64
			State        string
			StoredLedger int64 `json:"stored_ledger"`
		}
		if err := json.Unmarshal([]byte(data), &e); err != nil {
			t.Fatalf("%s: %v", data, err)
		}
		switch {
		case kind == "reading":
			acked = max(acked, e.StoredLedger)
		case kind == "sweep" && e.State == "running":
			if sweep, stored = e.ID, e.Stored; stored >= int64(readings) {
				return acked, sweep, stored
			}
		}
	}
	t.Fatalf("the live stream ended before a sweep held %d readings: sweep %d, %d stored; %s", readings, sweep, stored, p.errs.String())
	return
}

func afterKill(t *testing.T, prog, config string, acked, sweep, stored int64) {
	t.Helper()
	if out, err := exec.Command(prog, "verify", "--config", config).CombinedOutput(); err != nil {
		t.Fatalf("verify: %v\n%s", err, out)
	}
	db := filepath.Join(filepath.Dir(config), "crownmark.db")
	ask := func(query string, args ...any) int64 { return askInt(t, db, query, args...) }
	if last := ask("SELECT max(id) FROM ledger"); last < acked {
		t.Errorf("ledger ends at %d; %d was acknowledged", last, acked)
	}
	if n := ask("SELECT count(*) FROM reading r JOIN sweep s ON r.stream = s.ind_stream AND r.seq >= s.ind_from WHERE s.id = %d", sweep); n < stored {
		t.Errorf("sweep %d holds %d readings; %d were acknowledged", sweep, n, stored)
	}
	if n := ask("SELECT count(*) FROM sweep_end WHERE sweep = %d", sweep); n != 0 {
		t.Errorf("sweep %d has an end though it was cut off", sweep)
	}
}

// askInt asks the stored file with a program that is not ours.
func askInt(t *testing.T, db, query string, args ...any) int64 {
	t.Helper()
	out, err := exec.Command("sqlite3", "-readonly", db, fmt.Sprintf(query, args...)).Output()
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	n, err := strconv.ParseInt(strings.TrimSpace(string(out)), 10, 64)
	if err != nil {
		t.Fatalf("%s: %q", query, out)
	}
	return n
}

// One reading changed behind the program's back is named, and not called whole.
func TestVerifyNamesAChangedReading(t *testing.T) {
	rig := sweepingRig(t)
	prog, config := program(t), writeBench(t, t.TempDir(), rig.EncoderPort(), rig.IndicatorPort("left"), 7200)
	p := startRun(t, prog, config)
	b := &builder{base: p.page}
	var job struct{ ID int64 }
	if err := b.call(t.Context(), "POST", "/api/v1/jobs", map[string]any{"name": "Changed", "engine": json.RawMessage(practiceEngine)}, &job); err != nil {
		t.Fatal(err)
	}
	if err := b.call(t.Context(), "PUT", "/api/v1/bench/selection", map[string]any{"job": job.ID, "cylinders": map[string]int{"left": 1}}, nil); err != nil {
		t.Fatal(err)
	}
	watchSweep(t, p, 40)
	p.kill()
	db := filepath.Join(filepath.Dir(config), "crownmark.db")
	stream := askInt(t, db, "SELECT max(stream) FROM reading")
	seq := askInt(t, db, "SELECT max(seq) - 10 FROM reading WHERE stream = %d", stream)
	change := fmt.Sprintf("DROP TRIGGER reading_no_update; UPDATE reading SET ticks = ticks + 1 WHERE stream = %d AND seq = %d", stream, seq)
	if out, err := exec.Command("sqlite3", db, change).CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	out, err := exec.Command(prog, "verify", "--config", config).CombinedOutput()
	if err == nil || !strings.Contains(string(out), fmt.Sprintf("table reading, row stream %d seq %d: changed after its commit", stream, seq)) || strings.Contains(string(out), "nothing was changed") {
		t.Errorf("verify: %v\n%s", err, out)
	}
}

// A process told to stop ends by itself and leaves a whole chain.
func TestTermEndsTheDaemonCleanly(t *testing.T) {
	rig := sweepingRig(t)
	prog, config := program(t), writeBench(t, t.TempDir(), rig.EncoderPort(), rig.IndicatorPort("left"), 7200)
	p := startRun(t, prog, config)
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("ended with %v: %s", err, p.errs.String())
	}
	if out, err := exec.Command(prog, "verify", "--config", config).CombinedOutput(); err != nil {
		t.Errorf("verify: %v\n%s", err, out)
	}
}
