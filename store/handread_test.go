package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/sweepcsv"
)

// eyeBench is a real bench without a port, which hands over to s.
func eyeBench(s *Store) (b *acquire.Bench, stop func() error, err error) {
	res, err := s.Resume(context.Background())
	if err != nil {
		return nil, nil, err
	}
	cfg := acquire.Config{Name: "bench", Sweep: acquire.DefaultSweepConfig(),
		Encoder:    acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Format: acquire.FormatMarks, Direction: 1},
		Indicators: []acquire.InstrumentConfig{{Kind: acquire.KindIndicator, Name: "plain", Format: acquire.FormatTyped, Direction: 1, Unit: "mm", ResolutionMM: 0.01}}}
	if b, err = acquire.NewBench(cfg, s, res, acquire.Options{Now: s.Clock()}); err != nil {
		return nil, nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	return b, func() error { cancel(); err := <-done; done <- err; return err }, nil
}

// handPass reads marks from one to the other by step, heights of a parabola.
func handPass(t *testing.T, b *acquire.Bench, job int64, from, to, step float64) acquire.HandSweep {
	t.Helper()
	direction := 1
	if to < from {
		direction = -1
	}
	h := must[acquire.HandSweep](t)(b.BeginHand(t.Context(), acquire.BeginHand{Job: job, Cylinder: 3, Indicator: "plain", Direction: direction, AngleUDeg: 0.3}))
	for deg := from; float64(direction)*(to-deg) >= 0; deg += float64(direction) * step {
		h = must[acquire.HandSweep](t)(b.ReadHand(t.Context(), h.ID, strconv.FormatFloat(deg, 'f', 1, 64), fmt.Sprintf("%.2f", -0.0088*deg*deg)))
	}
	return h
}

// What a person reads is kept as typed, and handed to the fit mark by mark; what
// was taken back is kept and left out. The encoder's confirmed direction does
// not turn the marks round.
func TestHandSweepIsKept(t *testing.T) {
	ctx := t.Context()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b, stop, err := eyeBench(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop() })
	first := handPass(t, b, job.ID, -10, 10, 2)
	_, before := input(t, s, job.ID)
	must[acquire.HandSweep](t)(b.TakeBackHand(ctx, first.ID))
	in, after := input(t, s, job.ID)
	if before == after || len(in.Sweeps[0].Height.V) != 10 {
		t.Errorf("taken back: revision %s then %s, %d heights", before, after, len(in.Sweeps[0].Height.V))
	}
	must[acquire.HandSweep](t)(b.ReadHand(ctx, first.ID, "10,0", "-0.90"))
	second := handPass(t, b, job.ID, 10, -10, 2)
	must[acquire.HandSweep](t)(b.EndHand(ctx, second.ID))

	in, _ = input(t, s, job.ID)
	if !in.DirectionConfirmed || len(in.Sweeps) != 2 || in.Priors.Indicators["plain"].ResolutionMM != 0.01 {
		t.Errorf("input %+v", in)
	}
	for i, w := range in.Sweeps {
		if w.AngleUDeg != 0.3 || len(w.Encoder.V) != 11 || !slices.Equal(w.Encoder.T, w.Height.T) || w.Mount != 1 || w.Setup != 1 {
			t.Errorf("sweep %d: %+v", i, w)
		}
	}
	if w := in.Sweeps[0]; w.Encoder.V[10] != 10 || w.Height.V[10] != -0.90 || w.Encoder.V[0] != -10 || w.Height.V[0] != -0.88 {
		t.Errorf("first sweep %+v", w)
	}
	w, list, err := s.HandReadings(ctx, first.ID)
	if err != nil || w.Readings != 11 || w.Direction != 1 || w.State != SweepComplete || len(list) != 12 || !list[10].TakenBack || list[11].TakenBack || list[11].Mark != "10,0" || list[10].Height != "-0.88" {
		t.Errorf("%v %+v %+v", err, w, list)
	}
	if _, _, err := s.HandReadings(ctx, 99); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	fake := startBench(t, s, job.ID)
	fake.confirmDirection(-1)
	again, _ := input(t, s, job.ID)
	if diff := cmp.Diff(in, again); diff != "" {
		t.Errorf("the encoder's direction changed what was read off marks:\n%s", diff)
	}
	if w := must[Sweep](t)(s.Sweep(ctx, second.ID)); w.Direction != -1 {
		t.Errorf("direction %d", w.Direction)
	}
	verifyOK(t, s)
}

// The export of a job with hand sweeps and an encoder's reads back as its input.
func TestHandSweepsAreExported(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	fake := startBench(t, s, job.ID)
	fake.sweep(40, 5)
	b, stop, err := eyeBench(s)
	if err != nil {
		t.Fatal(err)
	}
	handPass(t, b, job.ID, -12, 12, 2)
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := s.Export(t.Context(), job.ID, &out); err != nil {
		t.Fatal(err)
	}
	rows := bytes.Count(out.Bytes(), []byte("\n"))
	f, err := sweepcsv.Read("export.csv", &out)
	if err != nil {
		t.Fatal(err)
	}
	in, _ := input(t, s, job.ID)
	if in.DirectionConfirmed {
		t.Error("an encoder's direction counts as confirmed because marks were read too")
	}
	slices.SortFunc(in.Sweeps, func(a, b fit.Sweep) int { return int(a.ID - b.ID) })
	if len(in.Sweeps) != 2 || in.Sweeps[0].AngleUDeg != 0 || in.Sweeps[1].AngleUDeg != 0.3 {
		t.Fatalf("input %+v", in.Sweeps)
	}
	if diff := cmp.Diff(in.Sweeps, f.Sweeps); diff != "" {
		t.Errorf("export and input differ:\n%s", diff)
	}
	if want := 1 + 13 + 40 + len(in.Sweeps[0].Encoder.V); rows != want {
		t.Errorf("%d rows, want %d", rows, want)
	}
	n := 0
	err = s.Samples(t.Context(), in.Sweeps[1].ID, func(x Sample) error {
		if *x.AngleDeg != in.Sweeps[1].Encoder.V[n] || *x.HeightMM != in.Sweeps[1].Height.V[n] {
			t.Errorf("sample %d: %+v", n, x)
		}
		n++
		return nil
	})
	if err != nil || n != 13 {
		t.Errorf("%d samples, %v", n, err)
	}
}

// handForever says "ledger sweep pairs" after each pair that was acknowledged.
func handForever(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, Options{Path: path, Software: "child"})
	if err != nil {
		return err
	}
	job, _, err := s.CreateJob(ctx, NewJob{Engine: practiceEngine(), Actor: "test"})
	if err != nil {
		return err
	}
	b, _, err := eyeBench(s)
	if err != nil {
		return err
	}
	for {
		h, err := b.BeginHand(ctx, acquire.BeginHand{Job: job.ID, Cylinder: 1, Indicator: "plain", Direction: 1})
		if err != nil {
			return err
		}
		for mark := -100; mark <= 100; mark++ {
			if h, err = b.ReadHand(ctx, h.ID, strconv.Itoa(mark), fmt.Sprintf("%.3f", float64(mark)/100)); err != nil {
				return err
			}
			fmt.Println(s.Stats().HeadLedger, h.ID, len(h.Taken))
		}
	}
}

// A pair that was acknowledged before SIGKILL is there, whole; the sweep is
// unfinished, its pairs count, and the job's marks keep their mount.
func TestHandSweepKilled(t *testing.T) {
	o := testOptions(t)
	_, sweep, pairs := killAfter(t, o.Path, "hand", 30)
	s := open(t, o)
	verifyOK(t, s)
	w, list, err := s.HandReadings(t.Context(), sweep)
	if err != nil || w.State != SweepUnfinished || int64(len(list)) < pairs {
		t.Fatalf("%v: %d pairs acknowledged, %d kept: %+v", err, pairs, len(list), w)
	}
	for i, p := range list {
		if want := float64(i - 100); p.MarkDeg != want || p.HeightMM != want/100 {
			t.Errorf("pair %d: %+v", i, p)
		}
	}
	in, _ := input(t, s, w.Job)
	if n := len(in.Sweeps[len(in.Sweeps)-1].Height.V); n != len(list) {
		t.Errorf("%d pairs kept, the fit gets %d", len(list), n)
	}
	b, stop, err := eyeBench(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop() })
	if h := handPass(t, b, w.Job, -5, 5, 5); h.Mount != w.Mount || h.Setup == w.Setup {
		t.Errorf("after the crash: %+v, before: %+v", h, w)
	}
}
