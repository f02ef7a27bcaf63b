package fit

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func TestBadCorrectionsAreRefused(t *testing.T) {
	nan := math.NaN()
	for name, c := range map[string]Correction{
		"has no point":      {},
		"differ in length":  {ReadingMM: []float64{0, 1}, CorrectionMM: []float64{0}},
		"(2 readings":       {ReadingMM: []float64{0, 1}, CorrectionMM: []float64{0, 0}, BetweenU95MM: []float64{0, 0}},
		"point 2":           {ReadingMM: []float64{0, nan}, CorrectionMM: []float64{0, 0}},
		"from 1 to 1":       {ReadingMM: []float64{1, 1}, CorrectionMM: []float64{0, 0}},
		"from 1 to 1.01":    {ReadingMM: []float64{1, 1.01}, CorrectionMM: []float64{0, -0.01}},
		"below 0, no numbe": {ReadingMM: []float64{1, 2}, CorrectionMM: []float64{0, 0}, U95MM: []float64{0, -1}},
		"no indicator's; c": {ReadingMM: []float64{1, 2}, CorrectionMM: []float64{0, 0}, BetweenU95MM: []float64{1e308}},
	} {
		s := newSynth()
		in := s.input(s.both(1, 1, 1))
		in.Sweeps[1].Correction = &c
		if _, err := Solve(in); err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), `indicator "left"`) {
			t.Errorf("%q: %v", name, err)
		}
	}
}

// The state of the indicator's calibration is told on the cylinders that were
// swept with it, and on no other.
func TestStateOfTheCalibrationIsFlagged(t *testing.T) {
	all := []string{FlagExpired, FlagCalFailed, FlagDoubted, FlagUncalibrated}
	for state, want := range map[string]string{"": "", CalibrationInForce: "", CalibrationExpired: FlagExpired,
		CalibrationFailed: FlagCalFailed, CalibrationDoubted: FlagDoubted, CalibrationNoneMade: FlagUncalibrated} {
		s := newSynth()
		in := s.told(s.input(s.both(1, 1, 1), s.both(2, 1, 2)))
		in.Sweeps[3].Calibrated = Calibrated{Certificate: 4, State: state}
		x := solve(t, in)
		for _, f := range all {
			if slices.Contains(cylinderOf(x, 1).Flags, f) || slices.Contains(cylinderOf(x, 2).Flags, f) != (f == want) {
				t.Errorf("%q: flags %v and %v", state, cylinderOf(x, 1).Flags, cylinderOf(x, 2).Flags)
			}
		}
	}
}

// Two corrections that differ only in the doubt between their points are two.
func TestCorrectionsAreOneOnlyIfAllAgrees(t *testing.T) {
	t.Parallel()
	correction := func(between float64) *Correction {
		return &Correction{ReadingMM: []float64{0, 1}, CorrectionMM: []float64{0, 0.01}, U95MM: []float64{0.002, 0.002}, BetweenU95MM: []float64{between}}
	}
	j := &job{}
	first := j.curveOf(&Sweep{Correction: correction(0.003)})
	if j.curveOf(&Sweep{Correction: correction(0.003)}) != first {
		t.Error("two that agree are not shared")
	}
	if j.curveOf(&Sweep{Correction: correction(0.004)}) == first {
		t.Error("the doubt between points of another correction was taken")
	}
}
