package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

var errNotConverged = errors.New("the fit did not converge")

// normal returns the normal matrix A = JᵀWJ/vif + P⁻¹ of the priors and the
// gradient b = JᵀW r + P⁻¹(mean − value), at the current parameters. With
// correlate, each pass counts for less by its vif.
func (m *model) normal(correlate bool) (*mat.SymDense, []float64) {
	n := len(m.params)
	a := make([]float64, n*n)
	b := make([]float64, n)
	for i := range m.params {
		p := &m.params[i]
		if !math.IsInf(p.sd, 1) {
			a[i*n+i] += 1 / (p.sd * p.sd)
			b[i] += (p.mean - p.val) / (p.sd * p.sd)
		}
	}
	var r row
	for _, p := range m.passes {
		scale := 1.0
		if correlate {
			scale = 1 / p.vif
		}
		for i, w := range p.w {
			if w == 0 {
				continue
			}
			m.predict(p, i, &r)
			w *= scale
			res := w * (p.y[i] - r.pred)
			for j := range r.n {
				ij, dj := r.idx[j], w*r.der[j]
				b[ij] += r.der[j] * res
				for k := range r.n {
					if r.idx[k] >= ij {
						a[ij*n+r.idx[k]] += dj * r.der[k]
					}
				}
			}
		}
	}
	return mat.NewSymDense(n, a), b
}

// descend runs Levenberg–Marquardt with the weights frozen, until no
// parameter moves by more than a thousandth of its own doubt, or until three
// steps together gain nothing (a reading that sits on the corner where a
// hanging piston is caught can make it step from side to side).
func (m *model) descend() error {
	lambda := 1e-6
	m.evaluate()
	cost := m.cost()
	old := make([]float64, len(m.params))
	idle := 0
	for range 60 {
		a, b := m.normal(false)
		for i := range m.params {
			p := &m.params[i]
			old[i] = p.val
		}
		for {
			step, ok := m.stepWithin(a, b, lambda)
			if ok {
				m.move(old, step)
				m.evaluate()
				if c := m.shorten(old, step, m.cost()); c <= cost*(1+1e-12) {
					if idle++; cost-c > idleGain {
						idle = 0
					}
					done := settled(a, step) || idle >= 3
					cost, lambda = c, math.Max(lambda/10, 1e-9)
					if done {
						return nil
					}
					break
				}
				m.move(old, nil)
			}
			if lambda *= 10; lambda > 1e8 {
				m.evaluate()
				if ok && settledTo(a, step, 0.02) {
					return nil
				}
				return errNotConverged
			}
		}
	}
	return errNotConverged
}

// shorten keeps half the step where that costs less than c: where a reading
// sits on the corner, whole steps swing past the lowest point.
func (m *model) shorten(old, step []float64, c float64) float64 {
	half := make([]float64, len(step))
	for i := range step {
		half[i] = step[i] / 2
	}
	m.move(old, half)
	m.evaluate()
	if h := m.cost(); h < c {
		return h
	}
	m.move(old, step)
	m.evaluate()
	return c
}

// idleGain is a fall of the cost (half a χ²) that moves nothing by a tenth of
// its doubt.
const idleGain = 1e-3

// stepWithin solves for a step that leaves no parameter below its minimum: one
// that would go there is set onto it and the others are solved again.
func (m *model) stepWithin(a *mat.SymDense, b []float64, lambda float64) ([]float64, bool) {
	step, ok := solveDamped(a, b, lambda)
	if !ok {
		return nil, false
	}
	const stiff = 1e12
	var held *mat.SymDense
	var push []float64
	for i := range m.params {
		p := &m.params[i]
		if p.val+step[i] >= p.min {
			continue
		}
		if held == nil {
			held = mat.NewSymDense(len(b), nil)
			held.CopySym(a)
			push = append([]float64(nil), b...)
		}
		k := a.At(i, i) * stiff
		held.SetSym(i, i, k)
		push[i] = k * (1 + lambda) * (p.min - p.val)
	}
	if held == nil {
		return step, true
	}
	return solveDamped(held, push, lambda)
}

// move sets the parameters to old + step, held above their minima.
func (m *model) move(old, step []float64) {
	for i := range m.params {
		p := &m.params[i]
		p.val = old[i]
		if step != nil {
			p.val = math.Max(old[i]+step[i], p.min)
		}
	}
}

// settled says that a step is below a thousandth of the curvature's own doubt.
func settled(a *mat.SymDense, step []float64) bool { return settledTo(a, step, 1e-3) }

func settledTo(a *mat.SymDense, step []float64, share float64) bool {
	for i, s := range step {
		if math.Abs(s)*math.Sqrt(a.At(i, i)) > share {
			return false
		}
	}
	return true
}

// solveDamped solves (A + λ diag A) s = b.
func solveDamped(a *mat.SymDense, b []float64, lambda float64) ([]float64, bool) {
	n := a.SymmetricDim()
	d := mat.NewSymDense(n, nil)
	d.CopySym(a)
	for i := range n {
		d.SetSym(i, i, a.At(i, i)*(1+lambda))
	}
	var c mat.Cholesky
	if !c.Factorize(d) {
		return nil, false
	}
	var s mat.VecDense
	if err := c.SolveVecTo(&s, mat.NewVecDense(n, b)); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) || math.IsInf(float64(cond), 0) {
			return nil, false
		}
	}
	return s.RawVector().Data, true
}
