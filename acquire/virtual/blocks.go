package virtual

import (
	"fmt"
	"math"
)

// BlockReading is one reading of an indicator on gauge blocks.
type BlockReading struct {
	Run         int
	Direction   string // "up": the plunger moving in, "down": moving out again, "repeat": come to anew
	ReferenceMM float64
	ReadingMM   float64
}

// Blocks holds an indicator against gauge blocks without error, its display
// zeroed on the resting stop: so many runs in steps of stepMM up to where its tops
// lie and down again, then five readings at the middle, each come to anew. The same truth
// gives the same readings. The error names an indicator that is not there, or
// what cannot be.
func (t Truth) Blocks(indicator string, runs int, stepMM float64) ([]BlockReading, error) {
	for _, i := range t.Indicators {
		if i.Name == indicator {
			if n := i.TravelMM / stepMM; runs < 1 || !(n >= 2 && n <= 10_000) {
				return nil, fmt.Errorf("virtual bench: %d runs in steps of %g mm over %g mm: give at least one run and two steps", runs, stepMM, i.TravelMM)
			}
			return i.onBlocks(t.Seed, runs, stepMM), nil
		}
	}
	return nil, fmt.Errorf("virtual bench: indicator %q: the bench has no such indicator", indicator)
}

func (i Indicator) onBlocks(seed uint64, runs int, stepMM float64) (out []BlockReading) {
	noise := stream(seed, "blocks "+i.Name)
	p := Plunger{Faults: i.IndicatorFaults}
	p.MoveTo(1)
	rest := p.MoveTo(0)
	read := func(run int, direction string, n int) {
		at := float64(n) * stepMM
		mm := p.MoveTo(at) - rest + noise.NormFloat64()*i.NoiseMM
		out = append(out, BlockReading{run, direction, at, readText(displayText(mm, i.Unit, i.Step), i.Unit)})
	}
	last := int(math.Ceil(i.TravelMM/stepMM - 1e-9)) // beyond where tops lie
	for run := 1; run <= runs; run++ {
		for n := 0; n <= last; n++ {
			read(run, "up", n)
		}
		p.MoveTo(float64(last)*stepMM + 1) // over the last one, so that it is come to from beyond
		for n := last; n >= 0; n-- {
			read(run, "down", n)
		}
	}
	for range 5 {
		p.MoveTo(0)
		read(1, "repeat", last/2)
	}
	return out
}

// PeakMM is what a true indicator shows on the top of a setup whose display was
// zeroed at the same plunger's place: the plunger's way from that zero to the
// top, moving in, with the setup's scale in it. At 0 where the zero lies beyond
// the stop.
func (i Indicator) PeakMM(s Setup) float64 {
	top := i.movedIn(i.TravelMM)
	lo, hi := 0.0, 2*i.TravelMM
	for range 80 {
		if mid := (lo + hi) / 2; s.ZeroMM+i.movedIn(mid)-top < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return i.TravelMM - (lo+hi)/2
}
