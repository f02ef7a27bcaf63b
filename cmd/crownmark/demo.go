package main

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"

	"crownmark/acquire/virtual"
	"crownmark/fit/engine"

	"golang.org/x/sync/errgroup"
)

//go:embed demo-engine.toml
var demoEngine []byte

// fastest is how much faster than the wall clock a virtual bench may run and
// still be measured well over pseudo-terminals.
const fastest = 5

type demoCmd struct {
	Once   bool   `xor:"end" help:"End after the table."`
	Seed   uint64 `default:"1" help:"The same seed gives the same crank and the same bytes."`
	Fast   bool   `help:"The virtual bench runs five times faster; the program's own clock does not."`
	Data   string `placeholder:"DIR" help:"Folder to keep the store, the bench file and the truth in; a temporary one if left out."`
	Listen string `default:"${listen}" placeholder:"HOST:PORT" help:"Where the page is (${default})."`
	Engine string `placeholder:"FILE" help:"Engine file; a four-cylinder of our own if left out."`

	TakePart bool `xor:"end" help:"You make the job and press the keys on the page; only the hand on the bar is virtual."`
}

// Help is shown below the flags.
func (demoCmd) Help() string {
	return `A crank that does not exist, with known index errors, is turned by a virtual hand. Its encoder and indicator speak real bytes over pseudo-terminals; from there on everything is as on a real bench. Open the page it names and watch. At the end the index table stands beside the truth.`
}

// Run shows a whole job.
func (c demoCmd) Run(ctx context.Context, std stdio) error {
	e, err := c.engine()
	if err != nil {
		return err
	}
	dir, remove, err := c.folder()
	if err != nil {
		return err
	}
	defer remove()
	out := &marked{to: std.out}
	d, err := c.open(ctx, e, dir, out, std.err)
	if c.TakePart && errors.Is(err, context.Canceled) {
		return nil // whoever takes part ends it, at any time
	}
	if err != nil {
		return err
	}
	defer d.rig.Close()
	fmt.Fprintf(out, "virtual bench, seed %d: %s, %s, errors known to the bench alone\n", c.Seed, e.Name, count(len(e.Tops()), "cylinder"))
	fmt.Fprintf(out, "page: %s\n", d.daemon.page)
	return d.run(ctx, c.Once)
}

func (c demoCmd) engine() (engine.Engine, error) {
	if c.Engine != "" {
		return readEngine(c.Engine)
	}
	return engine.Parse("demo-engine.toml", demoEngine)
}

func (c demoCmd) folder() (dir string, remove func(), err error) {
	if c.Data != "" {
		if err := os.MkdirAll(c.Data, 0o755); err != nil {
			return "", nil, cannotWrite(c.Data, err)
		}
		return c.Data, func() {}, nil
	}
	if dir, err = os.MkdirTemp("", "crownmark-demo-"); err != nil {
		return "", nil, fmt.Errorf("a temporary folder: %w; name one with --data", err)
	}
	return dir, func() { _ = os.RemoveAll(dir) }, nil
}

// demo is a virtual bench, the daemon that measures it, and the person between.
type demo struct {
	rig     *virtual.Rig
	daemon  *daemon
	builder *builder // nil: a person takes part
	out     io.Writer
}

func (c demoCmd) open(ctx context.Context, e engine.Engine, dir string, out, errs io.Writer) (*demo, error) {
	disturb := virtual.DefaultDisturbances()
	disturb.EccentricityUDeg, disturb.AccuracyUDeg = demoEccentricityUDeg, demoAccuracyUDeg
	truth := virtual.Draw(virtualEngine(e), c.Seed, disturb)
	if c.TakePart {
		for i := range truth.Indicators {
			truth.Indicators[i].IndicatorFaults = demoFaults()
		}
	}
	if err := toFile(filepath.Join(dir, "truth.json"), nil, func(w io.Writer) error { return writeJSON(w, truth) }); err != nil {
		return nil, err
	}
	sent, err := json.Marshal(e)
	if err != nil {
		return nil, err
	}
	d := &demo{out: out}
	plan := virtual.DefaultPlan()
	plan.Marks = []float64{0}
	b := &builder{out: out, engine: sent, selected: map[string]int{}}
	script := virtual.Job(plan, b.hooks())
	if c.TakePart {
		f := newFollower(out, sent)
		b, script = &f.builder, virtual.Follow(plan, f.ask)
	} else {
		d.builder = b
	}
	speed := 1.0
	if c.Fast {
		speed = fastest
	}
	if d.rig, err = virtual.NewRig(truth, virtual.RigOptions{Speedup: speed, Script: script}); err != nil {
		return nil, err
	}
	path := filepath.Join(dir, "bench.toml")
	file, err := writeDemoBench(path, d.rig, c.Listen)
	if err == nil {
		log := slog.New(slog.NewTextHandler(errs, &slog.HandlerOptions{Level: slog.LevelError})).With("simulated", true)
		d.daemon, err = openDaemon(ctx, file, daemonOptions{Simulated: true, Logger: log})
	}
	if err != nil {
		return nil, errors.Join(err, d.rig.Close())
	}
	b.base = d.daemon.page
	return d, nil
}

// run turns, measures and shows; then it goes on serving until ctx is done,
// or ends where once.
func (d *demo) run(ctx context.Context, once bool) error {
	ctx, end := context.WithCancel(ctx)
	defer end()
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return d.daemon.run(ctx) })
	g.Go(func() error { return d.rig.Run(ctx) })
	g.Go(func() error {
		select {
		case <-d.rig.ScriptDone():
		case <-ctx.Done():
			if d.builder == nil { // whoever takes part ends it
				return nil
			}
			return ctx.Err()
		}
		x, err := d.builder.index(ctx)
		if err != nil {
			return err
		}
		if err := compare(d.out, x, d.rig.Truth()); err != nil {
			return err
		}
		fmt.Fprintf(d.out, "page: %s/jobs/%d\n", d.daemon.page, d.builder.job)
		if once {
			end()
			return nil
		}
		fmt.Fprintln(d.out, "still serving; Ctrl-C ends it")
		return nil
	})
	return g.Wait()
}

// marked marks every line as simulated.
type marked struct {
	to   io.Writer
	rest []byte
}

const simulatedMark = "SIMULATED  "

// Write passes whole lines on and keeps the rest.
func (m *marked) Write(b []byte) (int, error) {
	m.rest = append(m.rest, b...)
	for {
		line, rest, whole := bytes.Cut(m.rest, []byte("\n"))
		if !whole {
			return len(b), nil
		}
		if _, err := fmt.Fprintf(m.to, "%s%s\n", simulatedMark, line); err != nil {
			return 0, err
		}
		m.rest = append([]byte(nil), rest...)
	}
}
