package store

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"crownmark/acquire"
	"crownmark/fit/sweepcsv"
)

// ownTimeBench is a bench whose encoder tells its own time, by a clock that is
// wrong, runs over and is started anew, behind an adapter that gives its bytes
// out each 16 ms.
type ownTimeBench struct {
	*fakeBench
	cfg     acquire.InstrumentConfig
	deviceS float64
	made    map[int64]float64 // by seq: when it was, in seconds
	arrived map[int64]int64
}

func (b *ownTimeBench) turn(n int, step int64) (batch acquire.Batch) {
	const drift, wrap = 300e-6, 1 << 24
	batch = b.fakeBench.turn(n, step)
	for i := range batch.Readings {
		r := &batch.Readings[i]
		if r.Stream != b.enc {
			continue
		}
		b.deviceS += 0.02 / (1 + drift)
		b.made[r.Seq] = float64(r.AtNS) / 1e9
		r.Raw = fmt.Appendf(nil, "%d,%d", r.Ticks, int64(b.deviceS*1e6)%wrap)
		r.AtNS = (r.AtNS/16e6 + 1) * 16e6
		b.arrived[r.Seq] = r.AtNS
	}
	return batch
}

func startOwnTime(t *testing.T, s *Store, job int64, kept bool) *ownTimeBench {
	b := &ownTimeBench{fakeBench: startBench(t, s, job), cfg: encoderConfig(), deviceS: 10, made: map[int64]float64{}, arrived: map[int64]int64{}}
	b.cfg.Format, b.cfg.Pattern, b.cfg.ArrivalsKept = "line", `^(?P<count>[-+]?\d+),(?P<time_us>\d+)$`, kept
	b.enc, b.res.LastDatum, b.res.LastMount = b.ind+1, b.res.LastDatum+1, b.res.LastMount+1
	b.record(acquire.Batch{Streams: []acquire.StreamOpened{{ID: b.enc, Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/e", ConfigJSON: configJSON(t, b.cfg)}},
		Data: []acquire.Datum{{ID: b.res.LastDatum, Stream: b.enc, FromSeq: 1, Kind: acquire.DatumMount, Number: b.res.LastMount, Cause: "start"}}})
	return b
}

// sweep is fakeBench's, with the device started anew in its middle.
func (b *ownTimeBench) sweep() int64 {
	b.record(b.turn(150, 0))
	var begin acquire.Batch
	id := b.begin(&begin)
	batch := b.turn(150, 5)
	batch.Begins = begin.Begins
	b.record(batch)
	b.deviceS = 0.5
	batch = b.turn(150, 5)
	b.end(&batch, 1, "idle")
	b.record(batch)
	b.record(b.turn(150, 0))
	return id
}

// What is kept is when readings arrived; when they were made is found out anew
// whenever somebody asks.
func TestOwnTimeIsDerived(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startOwnTime(t, s, job.ID, true)
	b.confirmDirection(1)
	id := b.sweep()
	kept := 0
	for r, err := range readings(ctx, s.readers, b.enc, 0, lastSeq) {
		if err != nil || r.AtNS != b.arrived[r.Seq] {
			t.Fatalf("seq %d is kept at %d, arrived at %d; %v", r.Seq, r.AtNS, b.arrived[r.Seq], err)
		}
		kept++
	}
	in, _ := input(t, s, job.ID)
	e := in.Sweeps[0].Encoder
	if kept != 600 || len(e.T) != 2*100+300 || e.Late != nil {
		t.Fatalf("%d kept, %d in the fit's input", kept, len(e.T))
	}
	var apart []float64 // from when they were made, in ms
	for i := range e.T {
		apart = append(apart, 1e3*(e.T[i]-b.made[int64(i+51)]))
	}
	// The two readings that told of the new start are where they arrived.
	slices.Sort(apart)
	if spread := apart[len(apart)-3] - apart[0]; spread > 0.5 {
		t.Errorf("times wander by %.3f ms", spread)
	}
	export := exportOf(t, s, job.ID)
	file := must[sweepcsv.File](t)(sweepcsv.Read("export.csv", strings.NewReader(export)))
	if diff := cmp.Diff(in.Sweeps, file.Sweeps); diff != "" || len(file.Warnings) > 0 {
		t.Error(diff, file.Warnings)
	}
	b.arrivalsIn(export)
	b.samplesAre(id, in.Sweeps[0].Encoder.T[100:400])
	verifyOK(t, s)
}

func exportOf(t *testing.T, s *Store, job int64) string {
	t.Helper()
	var text strings.Builder
	if err := s.Export(context.Background(), job, &text); err != nil {
		t.Fatal(err)
	}
	return text.String()
}

// arrivalsIn looks for every encoder row's arrival in an export.
func (b *ownTimeBench) arrivalsIn(export string) {
	lines := strings.Split(strings.TrimSpace(export), "\n")
	names := strings.Split(lines[0], ",")
	count, at, made := slices.Index(names, "count"), slices.Index(names, "arrival_s"), slices.Index(names, "t_s")
	n, zero := 0, 0.0
	for _, line := range lines[1:] {
		cells := strings.Split(strings.ReplaceAll(line, `"`, ""), ",")
		if cells[count] == "" {
			continue
		}
		cell := cells[at+1] // behind the raw line's comma
		if cell == "" {
			cell = cells[made] // it is the arrival
		}
		arrival, err := strconv.ParseFloat(cell, 64)
		if err != nil {
			b.t.Fatalf("%q: %v", line, err)
		}
		want := float64(b.arrived[int64(n+51)]) / 1e9
		if n == 0 {
			zero = want - arrival
		}
		if math.Abs(arrival+zero-want) > 1e-8 {
			b.t.Fatalf("row %d: arrived at %g, not %g", n, arrival+zero, want)
		}
		n++
	}
	if n != 500 {
		b.t.Errorf("%d encoder rows exported", n)
	}
}

// samplesAre compares a sweep's own times with the fit's.
func (b *ownTimeBench) samplesAre(id int64, want []float64) {
	var got []float64
	zero, early := math.NaN(), 0
	err := b.s.Samples(context.Background(), id, func(p Sample) error {
		if p.Kind != acquire.KindEncoder {
			return nil
		}
		if math.IsNaN(zero) {
			zero = want[0] - p.TS
		}
		if p.ArrivalS != nil && *p.ArrivalS > p.TS {
			early++
		}
		got = append(got, p.TS+zero)
		return nil
	})
	if err != nil || len(got) != len(want) || early < len(want)/2 {
		b.t.Fatalf("%d samples, %d earlier than they came, %v", len(got), early, err)
	}
	for i := range got {
		if math.Abs(got[i]-want[i]) > 1e-8 {
			b.t.Fatalf("sample %d: %g, the fit has %g", i, got[i], want[i])
		}
	}
}

// Streams from before arrivals were kept have their own times in their place.
func TestOwnTimeOfBefore(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startOwnTime(t, s, job.ID, false)
	b.sweep()
	in, _ := input(t, s, job.ID)
	e := in.Sweeps[0].Encoder
	for i := range e.T {
		if want := float64(b.arrived[int64(i+51)]-b.arrived[51]) / 1e9; math.Abs(e.T[i]-e.T[0]-want) > 1e-8 {
			t.Fatalf("reading %d: %g instead of %g", i, e.T[i]-e.T[0], want)
		}
	}
	if export := exportOf(t, s, job.ID); !strings.Contains(export, "arrival_s") || len(e.T) < 500 {
		t.Error("another export")
	}
	verifyOK(t, s)
}
