package store

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"crownmark/acquire"
	"crownmark/fit/sweepcsv"
)

func TestSamples(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.confirmDirection(-1)
	id := b.sweep(4200, 5)
	var heights, angles int
	var last Sample
	err := s.Samples(context.Background(), id, func(p Sample) error {
		if p.TS < last.TS || p.TS < 0 {
			t.Fatalf("%+v after %+v", p, last)
		}
		switch p.Kind {
		case acquire.KindEncoder:
			angles++
			if p.HeightMM != nil || p.Count == nil || p.Raw != fmt.Sprint(*p.Count) || *p.AngleDeg != -float64(*p.Count)*360/countsPerRev {
				t.Fatalf("%+v", p)
			}
		case acquire.KindIndicator:
			heights++
			if p.Count != nil || p.HeightMM == nil {
				t.Fatalf("%+v", p)
			}
			if heights == 4200 { // the encoder's next is not the sweep's
				if p.AngleDeg != nil {
					t.Errorf("the last angle is a guess: %+v", p)
				}
			} else if want := -0.5 * (float64(angles) + 0.15); math.Abs(*p.AngleDeg-want) > 1e-6 { // 3 ms after it, of 20
				t.Fatalf("height %d: angle %g, want %g", heights, *p.AngleDeg, want)
			}
		}
		last = p
		return nil
	})
	if err != nil || heights != 4200 || angles != 4200 {
		t.Errorf("%d heights, %d angles, %v", heights, angles, err)
	}
}

// The exported file, read back, is what Input gives.
func TestExportIsInput(t *testing.T) {
	ctx := context.Background()
	o := testOptions(t)
	o.Simulated = true
	s := open(t, o)
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.confirmDirection(1)
	b.sweep(60, 5)
	b.sweep(60, -5)
	aside := b.sweep(40, 5)
	must[Sweep](t)(s.Assign(ctx, b.sweep(40, -5), 3, "test"))
	must[Sweep](t)(s.SetAside(ctx, aside, "x", "test"))
	s.Close()
	s = open(t, o)
	b = startBench(t, s, job.ID)
	var batch acquire.Batch
	b.begin(&batch) // running
	batch.Readings = b.turn(50, 5).Readings
	batch.Readings[8].Burst = 2
	batch.Readings[9].Burst = 1
	b.record(batch)

	in, _ := input(t, s, job.ID)
	var text strings.Builder
	if err := s.Export(ctx, job.ID, &text); err != nil {
		t.Fatal(err)
	}
	file, err := sweepcsv.Read("export.csv", strings.NewReader(text.String()))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(in.Sweeps, file.Sweeps); diff != "" {
		t.Error(diff)
	}
	if !file.Simulated || !in.Simulated || len(in.Sweeps) != 4 {
		t.Errorf("simulated %v, %d sweeps", file.Simulated, len(in.Sweeps))
	}
	if len(file.Warnings) > 0 {
		t.Errorf("%q", file.Warnings)
	}
	if file.Sweeps[0].Encoder != file.Sweeps[1].Encoder {
		t.Error("the encoder's stream is written once a mount")
	}
	for _, want := range []string{"count", "raw", "burst", "simulated", ",+", ",2,"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("no %q in the export", want)
		}
	}
}
