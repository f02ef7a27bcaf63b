package acquire

import (
	"math"
	"math/rand/v2"
	"testing"
)

// told gives a rhythm the arrivals of readings made evenly, each intervalNS,
// and carried as late says.
func told(n int, intervalNS float64, late func(i int, madeNS float64) (atNS float64, burst int, lost bool)) Rhythm {
	var r rhythm
	r.open()
	for i := range n {
		if at, burst, lost := late(i, float64(i)*intervalNS); !lost {
			r.add(int64(at), burst)
		}
	}
	return r.read()
}

func finite(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

func near(t *testing.T, what string, got *float64, want, tolerance float64) {
	t.Helper()
	if got == nil || math.Abs(*got-want) > tolerance {
		t.Errorf("%s %v, want %v ± %v", what, finite(got), want, tolerance)
	}
}

func TestRhythm(t *testing.T) {
	prompt := func(_ int, made float64) (float64, int, bool) { return made + 1e5, 0, false }
	even := told(300, 20e6, prompt)
	near(t, "interval", even.IntervalMS, 20, 1e-9)
	near(t, "jitter", even.JitterMS, 0, 1e-6)
	if even.BatchMS != nil || even.Missing != 0 || even.Intervals.Counts[7] != 299 { // up to 20 ms
		t.Errorf("an even rhythm: %+v", even)
	}

	// Late by up to 3 ms: the range about a line through them is theirs, less
	// what the line itself takes up.
	rng := rand.New(rand.NewPCG(1, 2))
	strays := told(300, 20e6, func(_ int, made float64) (float64, int, bool) { return made + 3e6*rng.Float64(), 0, false })
	near(t, "jitter", strays.JitterMS, 3, 0.5)

	// A line each 2 ms, handed over each 16 ms.
	inLump := map[float64]int{}
	lumped := told(400, 2e6, func(_ int, made float64) (float64, int, bool) {
		at := (math.Floor(made/16e6) + 1) * 16e6
		inLump[at]++
		return at, inLump[at] - 1, false
	})
	near(t, "batch", lumped.BatchMS, 16, 1e-6)
	near(t, "share", &lumped.BurstShare, 7.0/8, 0.01)
	near(t, "interval", lumped.IntervalMS, 2, 0.1)
	if *lumped.JitterMS < 14 || lumped.Missing != 0 { // the first of a lump waited for so long
		t.Errorf("lumps: jitter %v, missing %d", *lumped.JitterMS, lumped.Missing)
	}

	// Every fiftieth line lost, two of them in a row once.
	holes := told(300, 20e6, func(i int, made float64) (float64, int, bool) { return made, 0, i%50 == 40 || i == 141 })
	if holes.Missing != 7 || *holes.JitterMS > 1e-6 {
		t.Errorf("lost lines: %d missing, jitter %v", holes.Missing, *holes.JitterMS)
	}

	// Late by more than an interval, now and then: nothing is missing.
	tardy := told(300, 20e6, func(i int, made float64) (float64, int, bool) {
		if i%50 == 40 {
			made += 15e6
		}
		return made, 0, false
	})
	if tardy.Missing != 0 || *tardy.JitterMS < 14 {
		t.Errorf("late lines: %d missing, jitter %v", tardy.Missing, *tardy.JitterMS)
	}
}

// A pause is no jitter: the window begins anew behind it.
func TestRhythmAfterAPause(t *testing.T) {
	r := told(100, 20e6, func(i int, made float64) (float64, int, bool) {
		if i >= 50 {
			made += 5e9 + 7e6
		}
		return made, 0, false
	})
	near(t, "interval", r.IntervalMS, 20, 1e-6)
	near(t, "jitter", r.JitterMS, 0, 1e-6)
	if r.Missing != 0 || r.Intervals.Counts[len(r.Intervals.Counts)-1] != 1 {
		t.Errorf("after a pause: %+v", r)
	}
	if few := told(rhythmLeast-1, 20e6, func(_ int, made float64) (float64, int, bool) { return made, 0, false }); few.IntervalMS != nil || few.JitterMS != nil {
		t.Errorf("of too few readings something is said: %+v", few)
	}
}
