package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// A knock anywhere in a sweep is found and taken out: the index stays within
// its doubt, and the flag says so. The oracle is the truth put in.
func TestKnockInASweep(t *testing.T) {
	for _, where := range []float64{0.2, 0.35, 0.5, 0.65, 0.85} {
		for _, mm := range []float64{0.03, -0.1, 0.6} {
			if where == 0.5 && mm == 0.03 {
				continue // a small step at the very top looks like a tilt flip to anyone
			}
			s := newSynth()
			in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
			w := &in.Sweeps[2]
			for i := int(where * float64(len(w.Height.V))); i < len(w.Height.V); i++ {
				w.Height.V[i] += mm
			}
			c := cylinderOf(solve(t, in), 3)
			t.Logf("%g mm at %g: %s, %v", mm, where, WithDoubt(c.IndexErrorDeg, c.IndexU95Deg), c.Flags)
			if off := math.Abs(*c.IndexErrorDeg - s.errDeg[3]); off > *c.IndexU95Deg+0.002 || *c.IndexU95Deg > 0.15 {
				t.Errorf("%g mm at %g of the sweep: off by %.4f, u95 %.4f", mm, where, off, *c.IndexU95Deg)
			}
			if !slices.Contains(c.Flags, FlagBumped) {
				t.Errorf("%g mm at %g of the sweep: flags %v", mm, where, c.Flags)
			}
		}
	}
}

// A knock of two hundredths under a scatter of two thousandths has no sharp edge
// and bends the whole curve: it is found all the same.
func TestSmallKnockInASweep(t *testing.T) {
	for seed := range uint64(6) {
		for _, where := range []float64{0.4, 0.6} {
			for _, mm := range []float64{0.02, -0.02} {
				s := newSynth()
				s.rng, s.noiseMM = rand.New(rand.NewPCG(seed, 7)), 0.002
				in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
				w := &in.Sweeps[2]
				for i := int(where * float64(len(w.Height.V))); i < len(w.Height.V); i++ {
					w.Height.V[i] += mm
				}
				c := cylinderOf(solve(t, in), 3)
				if off := math.Abs(*c.IndexErrorDeg - s.errDeg[3]); off > *c.IndexU95Deg || !slices.Contains(c.Flags, FlagBumped) {
					t.Errorf("seed %d, %g mm at %g of the sweep: off by %.4f, u95 %.4f, flags %v", seed, mm, where, off, *c.IndexU95Deg, c.Flags)
				}
			}
		}
	}
}

// Counts lost inside a sweep: that sweep is refused, what came before stands,
// what came after it stands on a new zero and needs the reference again.
func TestCountsLostInASweep(t *testing.T) {
	for _, deg := range []float64{0.15, -0.4, 2, -30} {
		s := newSynth()
		in := s.input(s.both(1, 1, 1), s.both(3, 1, 2), s.both(4, 1, 3))
		w := &in.Sweeps[3]
		at := len(w.Encoder.V) * 2 / 5
		for i := at; i < len(w.Encoder.V); i++ {
			w.Encoder.V[i] += deg
		}
		for _, later := range in.Sweeps[4:] {
			for i := range later.Encoder.V {
				later.Encoder.V[i] += deg
			}
		}
		ix := solve(t, in)
		c3, c4 := cylinderOf(ix, 3), cylinderOf(ix, 4)
		t.Logf("%g°: %s %v, then %s %v", deg, WithDoubt(c3.IndexErrorDeg, c3.IndexU95Deg), c3.Flags, WithDoubt(c4.IndexErrorDeg, c4.IndexU95Deg), c4.Flags)
		if !slices.Contains(c3.Flags, FlagCountsLost) {
			t.Errorf("%g°: flags of the cylinder swept %v", deg, c3.Flags)
		}
		if off := math.Abs(*c3.IndexErrorDeg - s.errDeg[3]); off > *c3.IndexU95Deg || c3.Sweeps != 1 {
			t.Errorf("%g°: off by %.4f, u95 %.4f, %d sweeps", deg, off, *c3.IndexU95Deg, c3.Sweeps)
		}
		if c4.IndexErrorDeg != nil || !slices.Contains(c4.Flags, FlagMountUnlinked) {
			t.Errorf("%g°: what came after is claimed: %s, flags %v", deg, WithDoubt(c4.IndexErrorDeg, c4.IndexU95Deg), c4.Flags)
		}
	}
}

// Each reading given seven times over, and in disorder, is still one reading.
func TestRepeatedAndDisorderedReadings(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
	clean := cylinderOf(solve(t, in), 3)
	for i := range in.Sweeps {
		h := &in.Sweeps[i].Height
		n := len(h.T)
		for range 6 {
			h.T, h.V = append(h.T, h.T[:n]...), append(h.V, h.V[:n]...)
		}
		s.rng.Shuffle(len(h.T), func(a, b int) { h.T[a], h.T[b], h.V[a], h.V[b] = h.T[b], h.T[a], h.V[b], h.V[a] })
	}
	c := cylinderOf(solve(t, in), 3)
	near(t, "index", c.IndexErrorDeg, *clean.IndexErrorDeg, 1e-6)
	near(t, "doubt", c.IndexU95Deg, *clean.IndexU95Deg, 1e-6)
}
