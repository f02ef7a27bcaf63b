package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"crownmark/acquire"
	"crownmark/fit"
)

func input(t testing.TB, s *Store, job int64) (fit.Input, string) {
	t.Helper()
	in, revision, err := s.Input(context.Background(), job)
	if err != nil {
		t.Fatal(err)
	}
	return in, revision
}

// A running sweep has what was stored so far; after a crash it is unfinished
// and keeps that.
func TestUnfinishedSweep(t *testing.T) {
	o := testOptions(t)
	ctx := context.Background()
	s := open(t, o)
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	first := b.sweep(40, 5)
	var batch acquire.Batch
	id := b.begin(&batch)
	batch.Readings = b.turn(30, -5).Readings
	b.record(batch)
	if w := must[Sweep](t)(s.Sweep(ctx, id)); w.State != SweepRunning || w.Readings != 30 || w.EndedAt != nil || w.Direction != 0 {
		t.Errorf("running: %+v", w)
	}
	b.record(b.turn(10, -5))
	if in, _ := input(t, s, job.ID); len(in.Sweeps) != 2 || len(in.Sweeps[1].Height.T) != 40 {
		t.Errorf("a running sweep's input: %d sweeps", len(in.Sweeps))
	}
	s.Close() // a crash leaves just this: no end

	s = open(t, o)
	w := must[Sweep](t)(s.Sweep(ctx, id))
	if w.State != SweepUnfinished || w.Readings != 40 {
		t.Errorf("after a crash: %+v", w)
	}
	in, _ := input(t, s, job.ID)
	if len(in.Sweeps) != 2 || len(in.Sweeps[1].Height.T) != 40 {
		t.Errorf("an unfinished sweep's input: %d sweeps", len(in.Sweeps))
	}
	b = startBench(t, s, job.ID)
	later := b.sweep(20, 5)
	list, _, err := s.Sweeps(ctx, job.ID, Page{})
	var states []string
	for _, w := range list {
		states = append(states, fmt.Sprint(w.ID, " ", w.State))
	}
	if got := strings.Join(states, ", "); err != nil || got != fmt.Sprintf("%d complete, %d unfinished, %d complete", first, id, later) {
		t.Error(got, err)
	}
	// A second sweep on the stream ends one that nobody ended.
	batch = b.turn(10, 5)
	lost := b.begin(&batch)
	b.record(batch)
	b.record(b.turn(15, 5))
	b.sweep(20, 5)
	if w := must[Sweep](t)(s.Sweep(ctx, lost)); w.Readings != 15+150 || w.State != SweepRunning {
		t.Errorf("overtaken by the next: %+v", w)
	}
	// Who only looks on cannot know whether it runs.
	o.ReadOnly = true
	r := open(t, o)
	if w := must[Sweep](t)(r.Sweep(ctx, id)); w.State != SweepUnfinished {
		t.Errorf("read-only: %+v", w)
	}
}

// Two sessions follow one another in time, whatever the wall clock says.
func TestInputOverSessions(t *testing.T) {
	o := testOptions(t)
	s := open(t, o)
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.confirmDirection(-1)
	b.sweep(50, -5)
	b.sweep(60, 5)
	s.Close()
	s = open(t, o)
	b = startBench(t, s, job.ID)
	b.sweep(70, -5)

	in, _ := input(t, s, job.ID)
	if len(in.Sweeps) != 3 || !in.DirectionConfirmed || in.Simulated {
		t.Fatalf("%d sweeps, %+v", len(in.Sweeps), in.DirectionConfirmed)
	}
	if in.Sweeps[0].Encoder != in.Sweeps[1].Encoder || in.Sweeps[1].Encoder == in.Sweeps[2].Encoder {
		t.Error("one series a mount, shared by its sweeps")
	}
	for i, want := range []int{50, 60, 70} {
		w := in.Sweeps[i]
		if len(w.Height.T) != want || len(w.Height.V) != want || w.Height.Late != nil {
			t.Errorf("sweep %d: %d heights", i, len(w.Height.T))
		}
		for _, series := range []*fit.Series{w.Encoder, &w.Height} {
			if !slices.IsSorted(series.T) {
				t.Errorf("sweep %d: times go back", i)
			}
		}
		if i > 0 && w.Height.T[0] <= in.Sweeps[i-1].Height.T[len(in.Sweeps[i-1].Height.T)-1] {
			t.Errorf("sweep %d begins before the one ahead of it ended", i)
		}
	}
	// The encoder counts down in running direction: the first sweep's angles grow.
	e := in.Sweeps[0].Encoder
	if first, last := e.V[100], e.V[149]; math.Abs(last-first-49*0.5) > 1e-9 {
		t.Errorf("from %g to %g", first, last)
	}
	list, _, err := s.Sweeps(context.Background(), job.ID, Page{})
	if err != nil || list[0].Direction != 1 || list[1].Direction != -1 {
		t.Errorf("directions %+v %v", list, err)
	}
}

func TestInputConverts(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	ind, enc := indicatorConfig(), encoderConfig()
	ind.Direction, ind.Unit = -1, "in"
	enc.Direction = -1
	reading := func(stream, seq, ticks int64, decimals int8, unit acquire.Unit, burst int) acquire.Reading {
		return acquire.Reading{Stream: stream, Seq: seq, AtNS: seq * 1e8, Burst: burst, Ticks: ticks, Decimals: decimals, Unit: unit, Raw: []byte("x")}
	}
	batch := acquire.Batch{
		Streams: []acquire.StreamOpened{{ID: 1, Kind: acquire.KindEncoder, Name: "encoder", ConfigJSON: configJSON(t, enc)},
			{ID: 2, Kind: acquire.KindIndicator, Name: "left", ConfigJSON: configJSON(t, ind)}},
		Readings: []acquire.Reading{
			reading(1, 1, 36000, 0, acquire.UnitCount, 0), reading(1, 2, 36010, 0, acquire.UnitCount, 2),
			reading(2, 1, 5, 1, acquire.UnitInch, 0), reading(2, 2, 1234, 3, acquire.UnitMM, 1)},
		Begins: []acquire.SweepBegin{{ID: 1, Job: job.ID, Cylinder: 4, Indicator: "left", IndStream: 2, IndFrom: 1, EncStream: 1, EncFrom: 1, DetectorJSON: `{"min_span_deg":7,"rest_mm":-11.5}`}},
		Ends:   []acquire.SweepEnd{{Sweep: 1, IndTo: 2, EncTo: 2, Direction: -1, Cause: "reversal"}},
		Marks:  []acquire.MarkPress{{Job: job.ID, MarkDeg: -5, EncStream: 1, EncSeq: 2, Approach: 1}, {Job: job.ID, MarkDeg: 0, EncStream: 1, EncSeq: 99}},
	}
	must[int64](t)(s.Record(ctx, batch))
	must[int64](t)(s.Record(ctx, acquire.Batch{Directions: []acquire.DirectionConfirmed{{Job: job.ID, Sign: -1, EncStream: 1}}}))
	in, _ := input(t, s, job.ID)
	u, rest := 0.05, -11.5
	want := fit.Input{
		Engine: job.Engine, DirectionConfirmed: true,
		Priors: fit.Priors{Indicators: map[string]fit.IndicatorPrior{"left": {LatencyMS: 30, LatencyUMS: 20, ResolutionMM: 0.001}},
			Default: fit.DefaultPriors().Default, LashDeg: 0.1, LashUDeg: 0.3, EncoderStepDeg: 0.1, EccentricityUDeg: &u, MinSpanDeg: 7},
		Sweeps: []fit.Sweep{{ID: 1, Cylinder: 4, Indicator: "left", RestMM: &rest,
			Encoder: &fit.Series{T: []float64{0, 0.1}, V: []float64{3600, 3601}, Late: []int{0, 2}},     // −1 × −1
			Height:  fit.Series{T: []float64{0, 0.1}, V: []float64{-12.7, -1.234}, Late: []int{0, 1}}}}, // 0.5 in
		Marks: []fit.Mark{{ID: 1, MarkDeg: -5, AngleDeg: 3601, Approach: -1}, {ID: 2, MarkDeg: 0, AngleDeg: 3601}},
	}
	if diff := cmp.Diff(want, in); diff != "" {
		t.Error(diff)
	}
	var csv bytes.Buffer
	if err := s.Export(ctx, job.ID, &csv); err != nil || !regexp.MustCompile(`(?s)^[^\n]*,rest_mm,.*,-1.234,left.*,-11.5,`).Match(csv.Bytes()) {
		t.Errorf("the export has no resting stop: %v\n%s", err, csv.String())
	}
}

func TestInputFollowsEvents(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	one, two, three := b.sweep(30, 5), b.sweep(30, -5), b.sweep(30, 5)
	must[Sweep](t)(s.SetAside(ctx, one, "slipped", "test"))
	w := must[Sweep](t)(s.SetAside(ctx, one, "again", "test"))
	if !w.SetAside || w.Reason != "slipped" || countRows(t, s, "sweep_event") != 1 {
		t.Errorf("set aside twice: %+v", w)
	}
	must[Sweep](t)(s.Assign(ctx, two, 3, "test"))
	in, _ := input(t, s, job.ID)
	if in.SetAside != 1 || len(in.Sweeps) != 2 || in.Sweeps[0].ID != two || in.Sweeps[0].Cylinder != 3 || in.Sweeps[1].ID != three || in.Sweeps[1].Cylinder != 1 {
		t.Errorf("%d set aside, sweeps %+v", in.SetAside, in.Sweeps)
	}
	if in.Sweeps[0].Setup == in.Sweeps[1].Setup {
		t.Error("one placement of an indicator on two cylinders")
	}
	if _, err := s.Assign(ctx, two, 9, "test"); !errors.Is(err, ErrInvalid) {
		t.Errorf("a cylinder that is not: %v", err)
	}
	w = must[Sweep](t)(s.Restore(ctx, one, "test"))
	if w.SetAside || w.Reason != "" {
		t.Errorf("restored: %+v", w)
	}
	closed := JobClosed
	must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{State: &closed}))
	if _, err := s.SetAside(ctx, one, "", ""); !errors.Is(err, ErrJobClosed) {
		t.Errorf("of a closed job: %v", err)
	}
	verifyOK(t, s)
}

// A mount that ends inside a stream; what lies beyond is another's.
func TestMountsSplitAStream(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.sweep(30, 5)
	b.record(acquire.Batch{Data: []acquire.Datum{{ID: b.res.LastDatum + 1, Stream: b.enc, FromSeq: b.encSeq - 99 /* within the window */, Kind: acquire.DatumMount, Number: 2, Cause: "lost_counts"},
		{ID: b.res.LastDatum + 2, Stream: b.ind, FromSeq: b.indSeq + 1, Kind: acquire.DatumZeroing, Number: 2, Cause: "zero:crown"}}})
	b.sweep(30, -5)
	in, _ := input(t, s, job.ID)
	a, c := in.Sweeps[0], in.Sweeps[1]
	if a.Mount != 1 || c.Mount != 2 || a.Encoder == c.Encoder || !a.DeckZero || c.DeckZero {
		t.Errorf("mounts %d %d, deck zero %v %v", a.Mount, c.Mount, a.DeckZero, c.DeckZero)
	}
	if n := len(a.Encoder.T); n != 100+30+50 { // 2 s, the sweep, and up to the new mount
		t.Errorf("mount 1 has %d readings", n)
	}
}

// A mark's angle is followed with its mount's, over the run-over of a counter.
func TestMarksFollowTheMount(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.count = 65000
	press := func() acquire.Batch {
		return acquire.Batch{Marks: []acquire.MarkPress{{Job: job.ID, EncStream: b.enc, EncSeq: b.encSeq, AtNS: b.tNS}}}
	}
	var first acquire.Batch
	b.begin(&first)
	batch := b.turn(40, 20)
	for i := range batch.Readings {
		if r := &batch.Readings[i]; r.Stream == b.enc {
			r.Ticks %= 65536
		}
	}
	batch.Begins = first.Begins
	b.end(&batch, 1, "idle")
	b.record(batch)
	b.record(press()) // within the window
	b.count -= 65536
	b.record(b.turn(300, 1))
	b.record(press()) // long after it
	in, _ := input(t, s, job.ID)
	if len(in.Marks) != 2 || math.Abs(in.Marks[0].AngleDeg-6580) > 1e-9 || math.Abs(in.Marks[1].AngleDeg-6610) > 1e-9 {
		t.Errorf("marks %+v; the encoder went on to %v", in.Marks, in.Sweeps[0].Encoder.V[39])
	}
}

func TestUnwrap(t *testing.T) {
	i := &instrument{InstrumentConfig: acquire.InstrumentConfig{Kind: acquire.KindEncoder, CountsPerRev: 7200}}
	for name, c := range map[string]struct {
		unit  acquire.Unit
		ticks []int64
		atS   []float64
		want  []float64
	}{
		"plain counts":             {acquire.UnitCount, []int64{0, 3000, 6000, 9000}, []float64{0, .1, .2, .3}, []float64{0, 150, 300, 450}},
		"far over a gap":           {acquire.UnitCount, []int64{100, 40100}, []float64{0, 60}, []float64{5, 2005}},
		"16 bits run over":         {acquire.UnitCount, []int64{65530, 4, 14}, []float64{0, .1, .2}, []float64{3276.5, 3277, 3277.5}},
		"run over, then a gap":     {acquire.UnitCount, []int64{4, 65530, 6}, []float64{0, .1, 60}, []float64{0.2, -0.3, 0.3}},
		"run over at a reconnect":  {acquire.UnitCount, []int64{65530, 2}, []float64{0, 60}, []float64{3276.5, 3276.9}},
		"degrees within a turn":    {acquire.UnitDegree, []int64{359, 1, 358}, []float64{0, .1, .2}, []float64{359, 361, 358}},
		"degrees that go on":       {acquire.UnitDegree, []int64{359, 361, 400}, []float64{0, .1, .2}, []float64{359, 361, 400}},
		"degrees over a gap, turn": {acquire.UnitDegree, []int64{359, 1, 20}, []float64{0, .1, 90}, []float64{359, 361, 380}},
	} {
		var u unwrap
		for n, ticks := range c.ticks {
			got, err := u.angleDeg(i, &acquire.Reading{Ticks: ticks, Unit: c.unit, AtNS: int64(c.atS[n] * 1e9)})
			if err != nil || math.Abs(got-c.want[n]) > 1e-9 {
				t.Errorf("%s: %d gives %g, want %g, %v", name, ticks, got, c.want[n], err)
			}
		}
	}
	i.CountsPerRev = 0
	if _, err := new(unwrap).angleDeg(i, &acquire.Reading{Unit: acquire.UnitCount}); err == nil {
		t.Error("counts without counts_per_rev")
	}
}
