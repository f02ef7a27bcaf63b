package calibrate

import (
	"math"
	"slices"
)

// How many draws are thrown away first and how many are kept.
const (
	warmUp      = 200
	draws       = 1100
	drawsSeed   = 13
	correctedBy = 2 // of every so many draws the correction is looked at
)

// drawsFor keeps large calibrations quick: fewer draws, of more points.
func drawsFor(cells int) int { return max(min(draws, draws*200/max(cells, 1)), 200) }

// posterior is what the draws say of the characteristics, and of each knot the
// errors of corrected readings.
type posterior struct {
	off     map[string][]float64 // of each characteristic: what another calibration gives less the truth, mm
	at      [][]float64          // by knot, either direction, mm
	between [][]float64          // by knot, to the next
	sigma   []float64            // scatter of one reading, mm
	curve   float64              // rms error of a corrected reading but for the hysteresis, mm
	half    float64              // rms of half the hysteresis, mm
	looked  float64              // how many places these are of
}

// simulate draws indicators that could have shown the readings and gathers
// their characteristics.
func simulate(l layout, o Options, stepMM float64, knots []knot) posterior {
	m := newModel(l, stepMM, o.Reference.U95MM/2)
	s := newSampler(m, drawsSeed)
	out := posterior{off: map[string][]float64{}, at: make([][]float64, len(knots)), between: make([][]float64, max(len(knots)-1, 0))}
	ranges := expectedRange(l.repeats)
	t, again := newTruth(l, s, o), newAnother(l)
	for i := range warmUp + drawsFor(len(t.cells)) {
		s.next()
		if i < warmUp {
			continue
		}
		t.take(s)
		again.take(s, t)
		truth := figures(l, t.cells, t.pairs)
		truth[Repeatability] = ranges * s.sigma / 1000
		for name, v := range again.figures(l) {
			out.off[name] = append(out.off[name], v-truth[name])
		}
		out.sigma = append(out.sigma, s.sigma/1000)
		if i%correctedBy == 0 {
			t.correct(s, knots, &out)
		}
	}
	out.curve, out.half = math.Sqrt(out.curve/out.looked), math.Sqrt(out.half/out.looked)
	return out
}

// figures are the characteristics of cells and pairs, mm.
func figures(l layout, cells []cell, pairs []pair) map[string]float64 {
	out := map[string]float64{}
	for name, v := range map[string]*float64{Total: total(cells), Local: local(cells, l.windows), Hysteresis: hysteresis(pairs), Linearity: linearity(l.refs, cells)} {
		if v != nil {
			out[name] = *v
		}
	}
	return out
}

// truth is the noise-free indicator of one draw, on the layout's cells.
type truth struct {
	cells  []cell
	pairs  []pair
	refs   []float64
	slopeU float64 // doubt of the reference's and the indicator's scale, mm per mm
	slope  float64 // drawn
	middle float64
	fresh  []float64 // what each reference point's own share is of the indicator
	rows   []row     // places at and between knots
}

// row are a place's columns.
type row struct {
	knot     int
	share    float64 // of the way to the next knot; 0: at the knot
	ref      float64 // mm
	at       int     // reference point, or −1 where none lies
	phi, psi []float64
}

func newTruth(l layout, s *sampler, o Options) *truth {
	t := &truth{cells: slices.Clone(l.cells), refs: l.refs, slopeU: o.slopeU(), fresh: make([]float64, len(l.refs))}
	for at := range l.refs {
		for _, p := range l.pairs {
			if p.at == at {
				t.pairs = append(t.pairs, pair{at: at})
				break
			}
		}
	}
	if n := len(l.refs); n > 0 {
		t.middle = (l.refs[0] + l.refs[n-1]) / 2
	}
	return t
}

// take makes the cells and pairs of the sampler's draw.
func (t *truth) take(s *sampler) {
	own, of := s.c*s.c, s.c*s.c+s.refU*s.refU
	for at, p := range s.p { // what of p is the indicator's and not the reference's
		t.fresh[at] = p*own/of + math.Sqrt(own*s.refU*s.refU/of)*s.rng.NormFloat64()
	}
	t.slope = t.slopeU * s.rng.NormFloat64()
	up := make([]float64, len(t.refs))
	for i := range t.cells {
		c, side := &t.cells[i], s.sites[i].s
		v := (s.curve(c.at, side)+t.fresh[c.at])/1000 - t.slope*(t.refs[c.at]-t.middle)
		c.low, c.top, c.mean = v, v, v
		if !c.down {
			up[c.at] = v
		}
	}
	for i := range t.pairs {
		at := t.pairs[i].at
		t.pairs[i].up, t.pairs[i].down = 0, dot(s.psi[at], s.theta[curveDims:])/1000
	}
}

// correct files the errors that corrected readings of the draw's indicator
// have, either direction, at the knots and between them.
func (t *truth) correct(s *sampler, knots []knot, out *posterior) {
	if t.rows == nil {
		t.lay(s, knots)
	}
	for _, r := range t.rows {
		f := dot(r.phi, s.theta)
		if r.at >= 0 {
			f += t.fresh[r.at]
		} else {
			f += s.c * s.rng.NormFloat64()
		}
		correction := knots[r.knot].correction
		if r.share > 0 {
			correction += r.share * (knots[r.knot+1].correction - correction)
		}
		e := f/1000 - t.slope*(r.ref-t.middle) + correction
		h := 0.0
		if s.two {
			h = dot(r.psi, s.theta[curveDims:]) / 2000
		}
		out.curve, out.half, out.looked = out.curve+e*e, out.half+h*h, out.looked+1
		if r.share > 0 {
			out.between[r.knot] = append(out.between[r.knot], math.Abs(e+h), math.Abs(e-h))
		} else {
			out.at[r.knot] = append(out.at[r.knot], math.Abs(e+h), math.Abs(e-h))
		}
	}
}

// lay finds the places at the knots and between them.
func (t *truth) lay(s *sampler, knots []knot) {
	for i, k := range knots {
		for _, at := range k.refs {
			t.rows = append(t.rows, row{knot: i, ref: t.refs[at], at: at, phi: s.phi[at], psi: s.psi[at]})
		}
		if i+1 == len(knots) {
			break
		}
		from, to := k.reading+k.correction, knots[i+1].reading+knots[i+1].correction
		for _, share := range []float64{0.2, 0.5, 0.8} {
			ref := from + share*(to-from)
			place := s.at(ref)
			t.rows = append(t.rows, row{i, share, ref, -1, curveAt(place), slowAt(place, s.slowDims())})
		}
	}
}

// expectedRange is the expected largest range of repeats over their points, of
// readings of standard deviation 1: for one point d2 of its number.
//
//	E = ∫ (1 − Π W_n(w)) dw,  W_n(w) = n ∫ φ(x) (Φ(x+w) − Φ(x))^(n−1) dx
func expectedRange(all []repeats) float64 {
	const step = 0.1
	sum := 0.0
	most := 0
	for _, r := range all {
		most = max(most, len(r.errors))
	}
	if most < 2 {
		return 0
	}
	for w := step / 2; w < 10; w += step {
		within := 1.0
		for _, r := range all {
			if len(r.errors) > 1 {
				within *= rangeWithin(len(r.errors), w)
			}
		}
		sum += (1 - within) * step
	}
	return sum
}

// rangeWithin is the probability that n standard normals lie within w.
func rangeWithin(n int, w float64) float64 {
	const step = 0.2
	sum := 0.0
	for x := -8.0; x < 8; x += step {
		sum += float64(n) * math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) * math.Pow(below(x+w)-below(x), float64(n-1)) * step
	}
	return min(sum, 1)
}

// quantile of values, sorted in place; 0 ≤ q ≤ 1.
func quantile(v []float64, q float64) float64 {
	slices.Sort(v)
	at := q * float64(len(v)-1)
	i := int(at)
	if i+1 >= len(v) {
		return v[len(v)-1]
	}
	return v[i] + (at-float64(i))*(v[i+1]-v[i])
}
