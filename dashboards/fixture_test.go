package dashboards

import (
	"bytes"
	"context"
	"fmt"
	"sync"
	"testing"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
	"crownmark/fit/sweepcsv"
	"crownmark/store"
)

const practiceFour = `{"name":"Practice four","stroke_mm":86,"rod_mm":143.5,"pin_offset_mm":-0.8,"running_direction":"clockwise",
"turn_back":"allowed","damper_diameter_mm":168,"cycle_deg":720,"firing_order":[1,3,4,2],"reference_cylinder":1,"index_limit_deg":0.5,"trim_step_deg":0.1}`

func practice(t testing.TB) engine.Engine {
	t.Helper()
	e, err := engine.ParseJSON([]byte(practiceFour))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// swept is the whole job done on the virtual bench, as fit takes it.
func swept(t testing.TB, e engine.Engine, seed uint64, plan virtual.Plan) fit.Input {
	t.Helper()
	return sweptOn(t, e, truthOf(e, seed), plan)
}

// truthOf is what is so on a virtual bench with that engine.
func truthOf(e engine.Engine, seed uint64) virtual.Truth {
	rod, _ := e.RodOrAssumed()
	v := virtual.Engine{Name: e.Name, StrokeMM: e.StrokeMM, RodMM: rod, CycleDeg: e.Cycle(), Reference: e.Reference()}
	for _, top := range e.Tops() {
		v.Cylinders = append(v.Cylinders, virtual.Cylinder{Number: top.Number, NominalDeg: top.NominalDeg, PinOffsetMM: top.PinOffsetMM})
	}
	return virtual.Draw(v, seed, virtual.DefaultDisturbances())
}

func sweptOn(t testing.TB, e engine.Engine, truth virtual.Truth, plan virtual.Plan) fit.Input {
	t.Helper()
	var b bytes.Buffer
	w := sweepcsv.NewWriter(&b, true)
	err := virtual.Simulate(truth, plan, func(r virtual.Row) error {
		row := sweepcsv.Row{TS: r.TS, AngleDeg: &r.AngleDeg, HeightMM: r.HeightMM, Indicator: r.Indicator, Mount: r.Mount, Setup: r.Setup, Zeroing: r.Zeroing, Simulated: true}
		if r.Sweep > 0 {
			id := int64(r.Sweep)
			row.Sweep, row.Cylinder = &id, &r.Cylinder
		}
		return w.Write(row)
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	f, err := sweepcsv.Read("swept.csv", &b)
	if err != nil {
		t.Fatal(err)
	}
	ecc, acc := 0.02, 0.01
	p := fit.DefaultPriors()
	p.EccentricityUDeg, p.AccuracyUDeg = &ecc, &acc
	return fit.Input{Engine: e, Priors: p, Sweeps: f.Sweeps, DirectionConfirmed: true, Simulated: true}
}

func solved(t testing.TB, in fit.Input) fit.Index {
	t.Helper()
	x, err := fit.Solve(in)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// fakeBench is a Bench whose answers the test sets.
type fakeBench struct {
	mu        sync.Mutex
	snapshot  acquire.Snapshot
	stats     acquire.Stats
	err       error // what every request answers
	marks     []acquire.MarkPress
	selected  []acquire.Selection
	confirmed int
	zeroed    []string
	keep      func(*acquire.MarkPress) error // nil: presses are kept nowhere
	hand      *acquire.Bench                 // what a person reads
}

func (b *fakeBench) BeginHand(ctx context.Context, w acquire.BeginHand) (acquire.HandSweep, error) {
	return b.hand.BeginHand(ctx, w)
}

func (b *fakeBench) ReadHand(ctx context.Context, sweep int64, mark, height string) (acquire.HandSweep, error) {
	return b.hand.ReadHand(ctx, sweep, mark, height)
}

func (b *fakeBench) TakeBackHand(ctx context.Context, sweep int64) (acquire.HandSweep, error) {
	return b.hand.TakeBackHand(ctx, sweep)
}

func (b *fakeBench) EndHand(ctx context.Context, sweep int64) (acquire.HandSweep, error) {
	return b.hand.EndHand(ctx, sweep)
}

func (b *fakeBench) BeginStand(ctx context.Context, w acquire.BeginStand) (acquire.StandState, error) {
	return b.hand.BeginStand(ctx, w)
}

func (b *fakeBench) TakeStand(ctx context.Context, calibration int64, text string) (acquire.StandState, error) {
	return b.hand.TakeStand(ctx, calibration, text)
}

func (b *fakeBench) TakeBackStand(ctx context.Context, calibration int64, actor string) (acquire.StandState, error) {
	return b.hand.TakeBackStand(ctx, calibration, actor)
}

func (b *fakeBench) EndStand(ctx context.Context, calibration int64, actor string) (acquire.StandState, error) {
	return b.hand.EndStand(ctx, calibration, actor)
}

func (b *fakeBench) Snapshot() acquire.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := b.snapshot
	if b.hand != nil {
		n.Stand = b.hand.Snapshot().Stand
	}
	return n
}

func (b *fakeBench) set(f func(*acquire.Snapshot)) acquire.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(&b.snapshot)
	return b.snapshot
}

func (b *fakeBench) Stats() acquire.Stats { return b.stats }

func (b *fakeBench) Select(_ context.Context, s acquire.Selection) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return b.err
	}
	b.selected = append(b.selected, s)
	b.snapshot.Selection = s
	probes := append([]acquire.InstrumentState(nil), b.snapshot.Indicators...)
	for i := range probes {
		probes[i].Cylinder = s.Cylinders[probes[i].Name]
	}
	b.snapshot.Indicators = probes
	return nil
}

func (b *fakeBench) Mark(_ context.Context, job int64, deg float64) (acquire.MarkPress, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return acquire.MarkPress{}, b.err
	}
	m := acquire.MarkPress{Job: job, MarkDeg: deg, Approach: 1}
	if b.keep != nil {
		if err := b.keep(&m); err != nil {
			return m, err
		}
	}
	b.marks = append(b.marks, m)
	return m, nil
}

func (b *fakeBench) Direction(_ context.Context, job int64) (acquire.DirectionConfirmed, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.confirmed++
	return acquire.DirectionConfirmed{Job: job, Sign: 1, MovedDeg: 12.5}, b.err
}

func (b *fakeBench) Zero(_ context.Context, indicator, on string) (acquire.Datum, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.zeroed = append(b.zeroed, indicator+" "+on)
	return acquire.Datum{Kind: acquire.DatumZeroing, Number: 4, Cause: "zero:" + on}, b.err
}

func (b *fakeBench) Remount(_ context.Context, turnedDeg *float64) (acquire.Datum, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.zeroed = append(b.zeroed, fmt.Sprint("encoder ", turnedDeg != nil))
	return acquire.Datum{Kind: acquire.DatumMount, Number: 3}, b.err
}

// benchAt is a bench with one encoder and the named indicators, all heard.
func benchAt(angle float64, heights map[string]float64) *fakeBench {
	age, a := 0.02, angle
	s := acquire.Snapshot{NowNS: 12_500_000_000, StoredLedger: 41, LastMove: 1, LastMoveDeg: 12.5,
		Encoder: acquire.InstrumentState{Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/ttyUSB0", Live: true, Status: acquire.StatusLive, AgeS: &age, Value: &a, Mount: 1, Raw: "3642"}}
	for _, name := range []string{"left", "right"} {
		if v, ok := heights[name]; ok {
			s.Indicators = append(s.Indicators, acquire.InstrumentState{Kind: acquire.KindIndicator, Name: name, Port: "/dev/ttyUSB1", Live: true,
				Status: acquire.StatusLive, AgeS: &age, Value: &v, Contact: true, Setup: 1, Zeroing: 1, Raw: "+0.118"})
		}
	}
	return &fakeBench{snapshot: s}
}

// shelf is a Store in memory for what a real one cannot be made to do at will:
// an index of one's own, and errors.
type shelf struct {
	Store  // nil: every other method panics
	jobs   map[int64]store.Job
	sweeps []store.Sweep
	input  fit.Input
	err    error
	rev    string
	stats  store.Stats
	reads  int

	instruments []store.Instrument
}

func (k *shelf) Job(_ context.Context, id int64) (store.Job, error) {
	if j, ok := k.jobs[id]; ok {
		return j, k.err
	}
	return store.Job{}, store.ErrNotFound
}

func (k *shelf) Jobs(_ context.Context, p store.Page) ([]store.Job, *int64, error) {
	var out []store.Job
	for id := p.After + 1; id <= int64(len(k.jobs)); id++ {
		out = append(out, k.jobs[id])
	}
	return out, nil, k.err
}

func (k *shelf) Sweeps(context.Context, int64, store.Page) ([]store.Sweep, *int64, error) {
	return k.sweeps, nil, k.err
}

func (k *shelf) Input(context.Context, int64) (fit.Input, string, error) {
	k.reads++
	return k.input, k.rev, k.err
}

func (k *shelf) Standing(_ context.Context, job, _ int64) (store.Standing, error) {
	k.reads++
	j, ok := k.jobs[job]
	if !ok {
		return store.Standing{}, store.ErrNotFound
	}
	return store.Standing{Ledger: 412, LedgerHash: k.stats.HeadHash, Job: j, Sweeps: k.sweeps, Input: k.input, Revision: k.rev}, k.err
}

func (k *shelf) Registered(context.Context) ([]store.Instrument, error) { return k.instruments, k.err }

func (k *shelf) Instruments(context.Context, store.Page) ([]store.Instrument, *int64, error) {
	return k.instruments, nil, k.err
}

func (k *shelf) Reports(context.Context, int64, store.Page) ([]store.Report, *int64, error) {
	return nil, nil, k.err
}

func (k *shelf) Revision(context.Context, int64) (string, error) { return k.rev, k.err }
func (k *shelf) Stats() store.Stats                              { return k.stats }
func (k *shelf) Writable(context.Context) error                  { return k.err }

func (k *shelf) Sweep(_ context.Context, id int64) (store.Sweep, error) {
	for _, w := range k.sweeps {
		if w.ID == id {
			return w, k.err
		}
	}
	return store.Sweep{}, store.ErrNotFound
}

func (k *shelf) MarkOf(context.Context, acquire.MarkPress) (store.Mark, error) {
	return store.Mark{}, store.ErrNotFound
}

func (k *shelf) Samples(context.Context, int64, func(store.Sample) error) error { return k.err }
