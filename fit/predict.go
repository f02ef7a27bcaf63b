package fit

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// more is something that the builder may still do, as changes to the sweeps
// that a cylinder has: what its curves would then tell is predicted from the
// information matrix, without any reading.
type more struct {
	back  bool    // the other way
	speed float64 // times as fast, and so many readings fewer
	reach float64 // times as wide
}

// after predicts the variance of parameter i (deg²) if every sweep of these
// cylinders were made once more, changed by how.
func (s *solution) after(i int, cylinders []int, how more) float64 {
	a, _ := s.model.normal()
	for _, p := range s.model.passes {
		if !slices.Contains(cylinders, p.src.Cylinder) {
			continue
		}
		k, terms := s.model.sweptAgain(p, how)
		for n, u := range terms {
			for _, w := range terms[n:] {
				lo, hi := min(u.param, w.param), max(u.param, w.param)
				a.SetSym(lo, hi, a.At(lo, hi)+u.coef*w.coef*k.a[min(u.col, w.col)][max(u.col, w.col)])
			}
		}
	}
	return variance(a, i)
}

// knowing predicts the variance of parameter i if parameter k had the standard
// uncertainty u beforehand.
func (s *solution) knowing(i, k int, u float64) float64 {
	a, _ := s.model.normal()
	p := s.model.params[k]
	a.SetSym(k, k, a.At(k, k)-1/(p.sd*p.sd)+1/(u*u))
	return variance(a, i)
}

func variance(a *mat.SymDense, i int) float64 {
	cov, ok := inverse(a)
	if !ok {
		return math.NaN()
	}
	return cov.At(i, i)
}

// sweptAgain is the block of a pass made once more, with a shift of its own
// projected out, and what its columns belong to.
func (m *model) sweptAgain(p *pass, how more) (k block, terms []term) {
	v := m.viewOf(p)
	terms = slices.Clone(p.terms)
	if how.back {
		v.dir, v.flip = -v.dir, -v.flip
		for i := range terms {
			if terms[i].col == colAngle && terms[i].param == p.lash {
				terms[i].coef = -terms[i].coef
			}
		}
	}
	alone := newSystem(1)
	d := make([]columns, 1)
	for i, w := range p.w {
		if w == 0 {
			continue
		}
		vel := p.vel[i] * how.speed
		if how.back {
			vel = -vel
		}
		_, slope := v.over(p.x[i]*how.reach, vel, p.timeAgain(i, how)-v.creepAtS, &d[0])
		alone.add(p.robust[i]/p.noise.variance(slope, vel, p.blurAt(i))/how.speed/p.vif, 0, d)
	}
	alone.project(0, private{sd: sweepShiftUMM}, &eliminated{})
	return alone.own[0], terms
}

// timeAgain is when reading i's angle comes again: right after this pass, on
// the way back or from the start.
func (p *pass) timeAgain(i int, how more) float64 {
	const pauseS = 2
	first, last := p.t[0], p.t[len(p.t)-1]
	if how.back {
		return last + pauseS + (last-p.t[i])/how.speed
	}
	return last + pauseS + (p.t[i]-first)/how.speed
}
