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
