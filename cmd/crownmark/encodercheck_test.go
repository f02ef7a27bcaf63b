package main

import (
	"bytes"
	"fmt"
	"math"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/fit/sweepcsv"
)

// The whole way from a virtual bench whose encoder sits off the crank's axis to
// what its check says of it: mounts at 0°, 180°, 90° and 45° tell the error once and twice a
// turn within its doubt. The oracle is the bench's own truth. All other disturbances are on.
func TestEncoderCheckAgreesWithTheTruth(t *testing.T) {
	t.Parallel()
	e, err := readEngine("testdata/engines/ring-of-five.toml")
	if err != nil {
		t.Fatal(err)
	}
	d := virtual.DefaultDisturbances()
	d.EccentricityUDeg = 0.08
	plan := virtual.DefaultPlan()
	plan.Remounts = []float64{180, -90, -45}
	parts, inside := 0, 0
	for seed := uint64(101); seed <= 100+encoderJobs; seed++ {
		truth := virtual.Draw(virtualEngine(e), seed, d)
		in := fit.Input{Engine: e, Priors: fit.DefaultPriors(), DirectionConfirmed: true}
		in.Priors.EccentricityUDeg = &d.EccentricityUDeg
		var csv bytes.Buffer
		if err := simulateTo(t.Context(), &csv, truth, plan); err != nil {
			t.Fatal(err)
		}
		file, err := sweepcsv.Read("sweeps.csv", &csv)
		if err != nil {
			t.Fatal(err)
		}
		in.Sweeps = file.Sweeps
		x, err := fit.Solve(in)
		if err != nil {
			t.Fatal(err)
		}
		r := calibrate.Encoder(in, x, nil)
		if r.Mounts != 4 || fmt.Sprint(r.ReclockDeg) != "[180 90 45]" || len(r.Eccentric) != 2 || r.EccentricityUDeg == nil {
			t.Fatalf("seed %d: %+v", seed, r)
		}
		for n, row := range r.Eccentric {
			sin, cos := mounted(truth, n+1)
			for _, p := range [][3]float64{{row.SinDeg, row.SinU95Deg, sin}, {row.CosDeg, row.CosU95Deg, cos}} {
				off := math.Abs(p[0] - p[2])
				if parts++; off <= p[1] {
					inside++
				}
				if off > 0.02 || p[1] > 0.03 { // of errors to 0.2°
					t.Errorf("seed %d, %d per turn: %.4f ± %.4f, the bench has %.4f", seed, n+1, p[0], p[1], p[2])
				}
			}
		}
	}
	t.Logf("%d of %d parts within their doubt", inside, parts)
	if float64(inside) < 0.85*float64(parts) {
		t.Errorf("%d of %d parts within their doubt", inside, parts)
	}
}

// mounted are the sine and cosine parts of an eccentric mounting's error.
func mounted(truth virtual.Truth, perTurn int) (sinPart, cosPart float64) {
	for _, h := range truth.Encoder.Harmonics {
		if h.Mounting && h.PerTurn == perTurn {
			sin, cos := math.Sincos(h.PhaseDeg * math.Pi / 180)
			sinPart, cosPart = sinPart+h.AmplitudeDeg*cos, cosPart+h.AmplitudeDeg*sin
		}
	}
	return sinPart, cosPart
}

const encoderJobs = 8 // of 24, 91 of 96 parts were within their doubt
