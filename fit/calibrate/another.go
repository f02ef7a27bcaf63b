package calibrate

import "math"

// another is the same calibration done once more on the indicator of a draw.
type another struct {
	cells   []cell
	pairs   []pair
	repeats []repeats
	error   []float64 // of the reference, by point, µm
}

func newAnother(l layout) *another {
	a := &another{error: make([]float64, len(l.refs))}
	for _, c := range l.cells {
		c.errors = make([]float64, c.n)
		a.cells = append(a.cells, c)
	}
	a.pairs = append(a.pairs, l.pairs...)
	for _, r := range l.repeats {
		if len(r.errors) > 1 {
			a.repeats = append(a.repeats, repeats{r.referenceMM, make([]float64, len(r.errors))})
		}
	}
	return a
}

// take reads the indicator of a draw: its noise-free errors, another error of
// the reference at each point, another scatter, and the display's step.
func (a *another) take(s *sampler, t *truth) {
	for at := range a.error {
		a.error[at] = s.refU*s.rng.NormFloat64() + 1000*t.slope*(t.refs[at]-t.middle)
	}
	for i := range a.cells {
		c := &a.cells[i]
		s.show(c.errors, 1000*t.cells[i].mean+a.error[c.at], s.sites[i].shown[0])
		c.sum()
	}
	for i := range a.pairs {
		p := &a.pairs[i]
		p.up, p.down = a.cells[p.from.cell].errors[p.from.error], a.cells[p.to.cell].errors[p.to.error]
	}
	for i := range a.repeats {
		s.show(a.repeats[i].errors, s.mid[i], s.again[i].shown[0])
	}
}

// show reads errors around f (µm) into mm; one is what the display has shown.
func (s *sampler) show(into []float64, f, one float64) {
	for i := range into {
		exact := f + s.sigma*s.rng.NormFloat64()
		into[i] = (one + s.step*math.Round((exact-one)/s.step)) / 1000
	}
}

func (a *another) figures(l layout) map[string]float64 {
	out := figures(l, a.cells, a.pairs)
	if v := repeatability(a.repeats); v != nil {
		out[Repeatability] = *v
	}
	return out
}
