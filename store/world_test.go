package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit/engine"
)

func testOptions(t testing.TB) Options {
	t.Helper()
	return Options{Path: filepath.Join(t.TempDir(), "bench.db"), Software: "crownmark test", BenchName: "bench-1"}
}

func open(t testing.TB, o Options) *Store {
	t.Helper()
	s, err := Open(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error("close:", err)
		}
	})
	return s
}

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func wrote(document []byte) func(int64, time.Time) ([]byte, error) {
	return func(int64, time.Time) ([]byte, error) { return document, nil }
}

func practiceEngine() engine.Engine {
	return engine.Engine{Name: "Practice four", StrokeMM: 88, CycleDeg: 720, FiringOrder: []int{1, 3, 4, 2},
		ReferenceCylinder: 1, IndexLimitDeg: 0.5, TrimStepDeg: 0.1}
}

func newJob(t testing.TB, s *Store) Job {
	t.Helper()
	job, _, err := s.CreateJob(context.Background(), NewJob{Engine: practiceEngine(), Actor: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return job
}

// fakeBench hands batches in as a bench would.
type fakeBench struct {
	t              testing.TB
	s              *Store
	res            acquire.Resume
	enc, ind       int64
	encSeq, indSeq int64
	tNS            int64
	count          int64
	job            int64
	cylinder       int
}

const countsPerRev = 3600

func encoderConfig() acquire.InstrumentConfig {
	u := 0.05
	return acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/e", Direction: 1,
		CountsPerRev: countsPerRev, EccentricityUDeg: &u, LashDeg: 0.1, LashUDeg: 0.3}
}

func indicatorConfig() acquire.InstrumentConfig {
	return acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: "left", Port: "/dev/i", Direction: 1,
		Unit: "mm", ResolutionMM: 0.001, LatencyMS: 30, LatencyUMS: 20}
}

func configJSON(t testing.TB, c acquire.InstrumentConfig) string {
	t.Helper()
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// startBench opens both streams with a mount, a setup and a zeroing.
func startBench(t testing.TB, s *Store, job int64) *fakeBench {
	t.Helper()
	res := must[acquire.Resume](t)(s.Resume(context.Background()))
	b := &fakeBench{t: t, s: s, res: res, job: job, cylinder: 1, tNS: 1e9}
	b.enc, b.ind = res.LastStream+1, res.LastStream+2
	b.record(acquire.Batch{
		Streams: []acquire.StreamOpened{
			{ID: b.enc, Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/e", Identity: "usb-1", ConfigJSON: configJSON(t, encoderConfig())},
			{ID: b.ind, Kind: acquire.KindIndicator, Name: "left", Port: "/dev/i", ConfigJSON: configJSON(t, indicatorConfig())},
		},
		Data: []acquire.Datum{
			{ID: res.LastDatum + 1, Stream: b.enc, FromSeq: 1, Kind: acquire.DatumMount, Number: res.LastMount + 1, Cause: "start"},
			{ID: res.LastDatum + 2, Stream: b.ind, FromSeq: 1, Kind: acquire.DatumSetup, Number: res.LastSetup + 1, Cause: "start"},
			{ID: res.LastDatum + 3, Stream: b.ind, FromSeq: 1, Kind: acquire.DatumZeroing, Number: res.LastZeroing + 1, Cause: "zero:deck"},
		},
	})
	b.res.LastDatum += 3
	b.res.LastMount++
	b.res.LastSetup++
	b.res.LastZeroing++
	return b
}

func (b *fakeBench) record(batch acquire.Batch) int64 {
	b.t.Helper()
	ledger, err := b.s.Record(context.Background(), batch)
	if err != nil {
		b.t.Fatal(err)
	}
	return ledger
}

// turn makes n readings of each stream while turning by step counts, 20 ms apart.
func (b *fakeBench) turn(n int, step int64) (batch acquire.Batch) {
	for range n {
		b.tNS += 20e6
		b.count += step
		b.encSeq++
		b.indSeq++
		deg := float64(b.count) * 360 / countsPerRev
		mm := int64(math.Round(44000 * (math.Cos(deg*math.Pi/180) - 1)))
		batch.Readings = append(batch.Readings,
			acquire.Reading{Stream: b.enc, Seq: b.encSeq, AtNS: b.tNS, Ticks: b.count, Unit: acquire.UnitCount, Raw: fmt.Appendf(nil, "%d", b.count)},
			acquire.Reading{Stream: b.ind, Seq: b.indSeq, AtNS: b.tNS + 3e6, Ticks: mm, Decimals: 3, Unit: acquire.UnitMM, Raw: fmt.Appendf(nil, "%+d", mm)})
	}
	return batch
}

// begin adds a sweep that begins with the next reading.
func (b *fakeBench) begin(batch *acquire.Batch) int64 {
	b.res.LastSweep++
	batch.Begins = append(batch.Begins, acquire.SweepBegin{ID: b.res.LastSweep, Job: b.job, Cylinder: b.cylinder, Indicator: "left",
		IndStream: b.ind, IndFrom: b.indSeq + 1, EncStream: b.enc, EncFrom: b.encSeq + 1, DetectorJSON: `{"min_span_deg":7}`, AtNS: b.tNS})
	return b.res.LastSweep
}

func (b *fakeBench) end(batch *acquire.Batch, direction int, cause string) {
	batch.Ends = append(batch.Ends, acquire.SweepEnd{Sweep: b.res.LastSweep, IndTo: b.indSeq, EncTo: b.encSeq, Direction: direction, Cause: cause, AtNS: b.tNS})
}

// sweep records a whole sweep of n readings, and rests before and after.
func (b *fakeBench) sweep(n int, step int64) int64 {
	b.t.Helper()
	b.record(b.turn(150, 0)) // three seconds at rest
	var begin acquire.Batch
	id := b.begin(&begin)
	batch := b.turn(n, step)
	batch.Begins = begin.Begins
	b.end(&batch, int(step/max(step, -step)), "reversal")
	b.record(batch)
	b.record(b.turn(150, 0))
	return id
}

func (b *fakeBench) confirmDirection(sign int) {
	b.t.Helper()
	b.record(acquire.Batch{Directions: []acquire.DirectionConfirmed{{Job: b.job, Sign: sign, MovedDeg: 5, EncStream: b.enc, EncSeq: b.encSeq, AtNS: b.tNS}}})
}

func verifyOK(t testing.TB, s *Store) VerifyReport {
	t.Helper()
	report := must[VerifyReport](t)(s.Verify(context.Background()))
	if !report.OK {
		t.Fatalf("verify: %q", report.Problems)
	}
	return report
}
