package fit

import (
	"math"
	"slices"
	"testing"
)

// A clock set between two readings: the years between are no reason to run out
// of memory; the sweep that spans them is refused, the others count.
func TestClockSetInsideASweep(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1), s.both(3, 1, 2), s.both(3, 1, 3))
	last := in.Sweeps[len(in.Sweeps)-1]
	for _, series := range []*Series{last.Encoder, &last.Height} {
		for i := len(series.T) / 2; i < len(series.T); i++ {
			series.T[i] += 1e9
		}
	}
	c := cylinderOf(solve(t, in), 3)
	near(t, "index", c.IndexErrorDeg, 1.498, 0.006)
	if c.Sweeps != 3 || !slices.Contains(c.Flags, FlagNoMotion) {
		t.Errorf("%d sweeps used, flags %v", c.Sweeps, c.Flags)
	}
}

// One reading as no instrument shows it, of the height or of the angle, is left
// out, counted, and moves nothing. 1e-3°: a third of the doubt.
func TestOneUnbelievableReading(t *testing.T) {
	for _, wild := range []float64{1e4, -1e9, 1e20, -1e300, math.MaxFloat64} {
		s := newSynth()
		in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
		clean := cylinderOf(solve(t, in), 3)
		h, e := in.Sweeps[2].Height, in.Sweeps[3].Encoder
		h.V[len(h.V)/2] = wild
		e.V[len(e.V)/2] = wild
		c := cylinderOf(solve(t, in), 3)
		near(t, "index", c.IndexErrorDeg, *clean.IndexErrorDeg, 1e-3)
		if c.Sweeps != 2 || c.Rejected < clean.Rejected+2 {
			t.Errorf("%g: %d sweeps used, %d readings left out, %d before", wild, c.Sweeps, c.Rejected, clean.Rejected)
		}
	}
}

// A height stamped beyond any clock is no part of the sweep: its place on the
// track is no whole number that fits.
func TestOneUnbelievableTime(t *testing.T) {
	for _, wild := range []float64{1e17, 1e300, -1e300} {
		s := newSynth()
		in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
		in.Priors.MinSpanDeg = 1
		h := &in.Sweeps[2].Height
		h.T, h.V = h.T[len(h.T)/4:], h.V[len(h.V)/4:]
		h.T[len(h.T)/2] = wild
		if _, err := Solve(in); err != nil {
			t.Errorf("%g s: %v", wild, err)
		}
	}
}

// Twice the counts a turn: cylinder 4 comes out at 720°, where it seems right
// and its error is doubled. Nothing is claimed of it.
func TestWrongCountsPerTurnGiveNoTrim(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1), s.both(4, 1, 2))
	for _, w := range in.Sweeps {
		for i := range w.Encoder.V {
			w.Encoder.V[i] *= 2
		}
	}
	c := cylinderOf(solve(t, in), 4)
	if c.TrimDeg != nil || c.Verdict != Undecided || !slices.Contains(c.Flags, FlagScale) {
		t.Errorf("trim %v, verdict %s, flags %v, scale %v", c.TrimDeg, c.Verdict, c.Flags, *c.Scale)
	}
}

func TestTrimSetOfTheSmallestStep(t *testing.T) {
	if got := TrimSet(-1.23456, 0.01, math.SmallestNonzeroFloat64); got != -1.23456 {
		t.Errorf("set to %g", got)
	}
}

// A declared doubt next to nothing is taken as none.
func TestDeclaredDoubtNextToNothing(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
	tiny := 1e-300
	in.Priors.EccentricityUDeg, in.Priors.AccuracyUDeg = &tiny, &tiny
	in.Priors.LashUDeg, in.Priors.Default.LatencyUMS = tiny, tiny
	if c := cylinderOf(solve(t, in), 3); c.IndexErrorDeg == nil {
		t.Errorf("no number; flags %v", c.Flags)
	}
}

// Declared doubts beyond sense make the result doubtful, and no more than that.
func TestDeclaredDoubtBeyondSense(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
	huge := math.MaxFloat64
	in.Priors.EccentricityUDeg, in.Priors.AccuracyUDeg = &huge, &huge
	c := cylinderOf(solve(t, in), 3)
	if c.IndexU95Deg == nil || *c.IndexU95Deg < 360 || c.Verdict != Undecided {
		t.Errorf("u95 %v, verdict %s", c.IndexU95Deg, c.Verdict)
	}
}

// One angle in twenty read wrongly, often two side by side: they are left out
// and counted, and move nothing. 2e-3°: half the doubt.
func TestWildAnglesSideBySide(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
	clean := cylinderOf(solve(t, in), 3)
	for _, w := range in.Sweeps {
		e := w.Encoder
		for i := 20; i+3 < len(e.V); i += 40 {
			e.V[i], e.V[i+1] = 0, 0
		}
	}
	c := cylinderOf(solve(t, in), 3)
	t.Logf("%s, then %s", WithDoubt(clean.IndexErrorDeg, clean.IndexU95Deg), WithDoubt(c.IndexErrorDeg, c.IndexU95Deg))
	near(t, "index", c.IndexErrorDeg, *clean.IndexErrorDeg, 2e-3)
	if c.Sweeps != 2 || c.Rejected < clean.Rejected+10 {
		t.Errorf("%d sweeps used, %d readings left out, %d before", c.Sweeps, c.Rejected, clean.Rejected)
	}
}
