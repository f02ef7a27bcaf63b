package main

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/fit/engine"
	"crownmark/fit/sweepcsv"
)

// badIndicator is a bench whose indicator shows 2 % too much, is locally 10 µm
// wrong and has 3 µm of hysteresis; its displays are zeroed up to 3 mm from the
// tops, as on a deck.
func badIndicator(e engine.Engine, seed uint64) virtual.Truth {
	d := virtual.DefaultDisturbances()
	d.ScaleError, d.BumpMM, d.HysteresisMM = virtual.Range{Lo: 0.02, Hi: 0.02}, virtual.Range{Lo: 0.01, Hi: 0.01}, virtual.Range{Lo: 0.003, Hi: 0.003}
	d.ZeroMM = virtual.Range{Lo: -3, Hi: 3}
	return virtual.Draw(virtualEngine(e), seed, d)
}

// calibratedOnBlocks is what a calibration of a virtual indicator says.
func calibratedOnBlocks(t *testing.T, truth virtual.Truth, name string) *fit.Correction {
	t.Helper()
	points, err := blockPoints(truth, name)
	if err != nil {
		t.Fatal(err)
	}
	o := calibrate.DefaultOptions()
	o.Reference = calibrate.Reference{Kind: "blocks", Stated: true}
	twenty := 20.0
	o.TemperatureC = &twenty
	r, err := calibrate.Evaluate(points, o)
	if err != nil {
		t.Fatal(err)
	}
	return calibrate.Correction(r.Correction)
}

// fitted fits a bench's sweeps with a correction (nil: none) for its indicator.
func fitted(t *testing.T, e engine.Engine, file sweepcsv.File, c *fit.Correction) fit.Index {
	t.Helper()
	for i := range file.Sweeps {
		file.Sweeps[i].Correction = c
	}
	x, err := fit.Solve(fit.Input{Engine: e, Priors: fit.DefaultPriors(), Sweeps: file.Sweeps, Simulated: true, DirectionConfirmed: true})
	if err != nil || x.Status != "ok" {
		t.Fatalf("%q: %v", x.Status, err)
	}
	return x
}

func sweptBy(t *testing.T, truth virtual.Truth) sweepcsv.File {
	t.Helper()
	var csv bytes.Buffer
	if err := simulateTo(t.Context(), &csv, truth, virtual.DefaultPlan()); err != nil {
		t.Fatal(err)
	}
	file, err := sweepcsv.Read("sweeps.csv", &csv)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// height is a cylinder's true peak in its first placement, and its true height
// above the zero of its last one.
type height struct{ peak, deck float64 }

// peaks are the true heights by cylinder; the reference is placed again at the
// end.
func peaks(truth virtual.Truth) map[int]height {
	list := slices.Clone(truth.Engine.Cylinders)
	slices.SortStableFunc(list, func(a, b virtual.Cylinder) int { return int(1000 * (a.NominalDeg - b.NominalDeg)) })
	out := map[int]height{}
	of := func(first, last int) height {
		i, s := truth.Indicators[0], truth.Setups
		return height{i.PeakMM(s[first]), i.PeakMM(s[last]) / s[last].Scale}
	}
	for n, c := range list {
		out[c.Number] = of(n, n)
		if c.Number == truth.Engine.Reference {
			out[c.Number] = of(n, len(list))
		}
	}
	return out
}

// An indicator that is 2 % and locally 10 µm wrong: once it is calibrated, the
// heights are right within their doubt; the tops do not move. The oracle is the
// virtual bench's own plunger, which shares no code with calibration and fit.
func TestHeightsAreRightOnceTheIndicatorIsCalibrated(t *testing.T) {
	t.Parallel()
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	for seed := uint64(1); seed <= 6; seed++ {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			truth := badIndicator(e, seed)
			file := sweptBy(t, truth)
			bare, right := fitted(t, e, file, nil), fitted(t, e, file, calibratedOnBlocks(t, truth, "left"))
			want := peaks(truth)
			worst := 0.0
			for i, c := range right.Cylinders {
				off := *c.PeakMM - want[c.Number].peak
				t.Logf("cylinder %d: peak %+.4f, truth %+.4f: %+.1f ± %.1f µm, uncorrected %+.1f ± %.1f µm; scale %.4f, was %.4f; top moved %+.5f°", c.Number, *c.PeakMM, want[c.Number].peak,
					1000*off, 1000**c.PeakU95MM, 1000*(*bare.Cylinders[i].PeakMM-want[c.Number].peak), 1000**bare.Cylinders[i].PeakU95MM, *c.Scale, *bare.Cylinders[i].Scale, *c.TDCDeg-*bare.Cylinders[i].TDCDeg)
				if math.Abs(off) > *c.PeakU95MM || math.Abs(off) > 0.01 {
					t.Errorf("cylinder %d: peak %.4f ± %.4f mm, truth %.4f", c.Number, *c.PeakMM, *c.PeakU95MM, want[c.Number].peak)
				}
				worst = math.Max(worst, math.Abs(*bare.Cylinders[i].PeakMM-want[c.Number].peak))
				for name, moved := range map[string]float64{"top": *c.TDCDeg - *bare.Cylinders[i].TDCDeg, "index error": *c.IndexErrorDeg - *bare.Cylinders[i].IndexErrorDeg} {
					if math.Abs(moved) > 0.002 {
						t.Errorf("cylinder %d: the correction moved the %s by %+.4f°", c.Number, name, moved)
					}
				}
			}
			if worst < 0.02 {
				t.Errorf("uncorrected the worst peak is off by %.4f mm only: nothing was to correct", worst)
			}
		})
	}
}
