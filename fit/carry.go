package fit

import (
	"maps"
	"math"
	"slices"
)

// What an indicator's calibration leaves in doubt is the same in every sweep
// made with it: its error curve. Each way in which that may be wrong (a lane) is
// carried through the settled fit as other residuals, through the same filter
// and the same weights:
//
//	δp = Cov·JᵀR⁻¹·δy
//
// so that what a combination of unknowns feels of it is known with its sign, and
// drops out where it is common to both.

// laneError is one lane's residual on its way through the filter for the
// track's error.
type laneError struct{ deg, vel, res float64 }

// carried is one lane and how far it moves each parameter.
type carried struct {
	lane
	moves []float64
}

// carry runs the lanes of all corrections through the fit as it is.
func (s *solution) carry(j *job) {
	all := j.layLanes()
	if len(all) == 0 {
		return
	}
	m := s.model
	m.whitenAll() // as before, and with the lanes
	n := len(m.params)
	for l, lane := range all {
		pull, moves := make([]float64, n), make([]float64, n)
		for _, r := range m.rides {
			r.pull(l, pull)
		}
		for i := range n {
			for k := range n {
				moves[i] += s.cov.At(i, k) * pull[k]
			}
		}
		s.carried = append(s.carried, carried{lane, moves})
	}
	for _, p := range m.passes {
		p.bent = nil
	}
}

// layLanes lists the lanes that move a reading, and gives each pass what they
// move its readings by.
func (j *job) layLanes() (all []lane) {
	var list []lane
	for _, e := range j.curves {
		list = append(list, e.lanes()...)
		list = append(list, j.shiftLanes(e)...)
	}
	for _, l := range list {
		var bent [][]float64
		felt := false
		for _, p := range j.passes {
			var by []float64
			if p.errors == l.curve {
				by = make([]float64, len(p.t))
				for i, shown := range p.shown {
					by[i] = l.off(p.src, shown)
					felt = felt || by[i] != 0 && p.served(i)
				}
			}
			bent = append(bent, by)
		}
		if !felt {
			continue
		}
		all = append(all, l)
		for n, p := range j.passes {
			p.bent = append(p.bent, bent[n])
		}
	}
	return all
}

// shiftLanes are those of a curve's zeroings whose resting stop is not known;
// it also notes what the readings say of the curve.
func (j *job) shiftLanes(e *errorCurve) (out []lane) {
	type span struct{ lo, hi float64 }
	spans := map[int]span{}
	for _, p := range j.passes {
		if p.errors != e {
			continue
		}
		s, ok := spans[p.src.Zeroing]
		if !ok {
			s = span{math.Inf(1), math.Inf(-1)}
		}
		for i, shown := range p.shown {
			if !p.served(i) {
				continue
			}
			s.lo, s.hi = math.Min(s.lo, shown), math.Max(s.hi, shown)
			if p.src.RestMM != nil {
				e.beyond = e.beyond || e.outside(shown-*p.src.RestMM) != 0
			}
		}
		if p.src.RestMM == nil {
			e.blind = true
			spans[p.src.Zeroing] = s
		}
	}
	for _, z := range slices.Sorted(maps.Keys(spans)) {
		if s := spans[z]; s.lo <= s.hi {
			out = append(out, e.shifted(z, s.lo, s.hi)...)
		}
	}
	return out
}

// bend sets the lanes' residuals at reading i.
func (f *trackError) bend(p *pass, i int) {
	for l := range f.lanes {
		f.lanes[l].res = 0
		if by := p.bent[l]; by != nil {
			f.lanes[l].res = by[i]
		}
	}
}

// quiet clears them: an encoder's point is not the indicator's.
func (f *trackError) quiet() {
	for l := range f.lanes {
		f.lanes[l].res = 0
	}
}

// see takes what the filter takes of the other residual.
func (l *laneError) see(slope, kd, kv float64) {
	l.res -= slope * l.deg
	l.deg += kd * l.res
	l.vel += kv * l.res
}

// draw adds up what the lanes' surprises pull at, by lane and pass.
func (f *trackError) draw(w float64) {
	for l := range f.lanes {
		if by := w * f.lanes[l].res; by != 0 {
			for n := range f.d {
				for c, d := range f.d[n] {
					f.pull[l][n][c] += by * d
				}
			}
		}
	}
}

// makePulls makes room for a stretch's pulls; nil without lanes.
func makePulls(readers []reader) [][]columns {
	lanes := len(readers[0].bent)
	if lanes == 0 {
		return nil
	}
	out := make([][]columns, lanes)
	for l := range out {
		out[l] = make([]columns, len(readers))
	}
	return out
}

// pull adds what a lane pulls at, over the parameters, with what belongs to a
// pass or a stretch alone projected out.
func (r *ride) pull(l int, to []float64) {
	whole := make([]columns, len(r.passes))
	for i := range r.sums.segOut {
		part := slices.Clone(r.sums.pulls[i][l])
		lessOwn(r.sums.segOut[i], part)
		for n := range whole {
			for c := range whole[n] {
				whole[n][c] += r.sums.thin * part[n][c]
			}
		}
	}
	lessOwn(r.sums.shiftOut, whole)
	for n, p := range r.passes {
		for _, u := range p.terms {
			to[u.param] += u.coef * whole[n][u.col]
		}
	}
}

// lessOwn takes from a pull what the unknowns projected out take up of it.
func lessOwn(out []eliminated, pull []columns) {
	for n := range out {
		e := &out[n]
		if e.pivot == 0 {
			continue
		}
		f := pull[n][colOne] / e.pivot
		for k := range pull {
			for c := range pull[k] {
				pull[k][c] -= f * e.row[k][c]
			}
		}
	}
}

// byCurves is the variance that the corrections' doubts give Σ c_i·param_i;
// direct (nil: nothing) is what a lane moves beside the parameters. Points that
// err each on its own average down along a sweep, a curve that errs as a whole
// does not: the larger of the two counts.
func (s *solution) byCurves(c map[int]float64, direct func(l *lane) float64) (variance float64) {
	by := map[*errorCurve]*[kinds]float64{}
	var order []*errorCurve
	keys := slices.Sorted(maps.Keys(c))
	for i := range s.carried {
		l := &s.carried[i]
		v := 0.0
		for _, k := range keys {
			v += c[k] * l.moves[k]
		}
		if direct != nil {
			v += direct(&l.lane)
		}
		if by[l.curve] == nil {
			by[l.curve] = &[kinds]float64{}
			order = append(order, l.curve)
		}
		by[l.curve][l.kind] += v * v
	}
	for _, e := range order {
		variance += math.Max(by[e][apart], by[e][tilt]) + by[e][besides]
	}
	return variance
}

// curveShares is the budget line of the corrections; none without one.
func (s *solution) curveShares(c map[int]float64, direct func(l *lane) float64) []share {
	if len(s.carried) == 0 {
		return nil
	}
	worst := s.carried[0].curve
	for _, l := range s.carried {
		if l.curve.most() > worst.most() {
			worst = l.curve
		}
	}
	return []share{{srcCurve, worst.size(), "certificate", s.byCurves(c, direct), math.Inf(1)}}
}
