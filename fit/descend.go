package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

var errNotConverged = errors.New("the fit did not converge")

// normal returns the normal matrix A = JᵀWJ + P⁻¹ of the priors and the
// gradient b = JᵀW r + P⁻¹(mean − value), from what gather left, the passes'
// private offsets projected out.
func (m *model) normal() (*mat.SymDense, []float64) {
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
	for _, r := range m.rides {
		r.addTo(a, b)
	}
	return mat.NewSymDense(n, a), b
}

// descend runs Levenberg–Marquardt with the weights frozen: at most steps
// steps, fewer where no parameter moves by more than a thousandth of its own
// doubt. It reports whether it settled.
func (m *model) descend(steps int) (settledDown bool, err error) {
	lambda := 1e-7
	cost := m.gatherAll(frozen)
	for range steps {
		a, b := m.normal()
		m.remember()
		for {
			step, ok := m.stepWithin(a, b, lambda)
			if ok {
				m.move(step)
				next := m.gatherAll(frozen)
				if still := settledTo(a, step, 1e-3); next <= cost*(1+1e-9)+1e-9 || still {
					if still || cost-next < idleGain {
						return true, nil
					}
					cost, lambda = next, math.Max(lambda/10, 1e-9)
					break
				}
				m.move(nil)
			}
			if lambda *= 30; lambda > 1e8 {
				m.gatherAll(frozen)
				if ok && settledTo(a, step, 0.02) {
					return true, nil
				}
				return false, errNotConverged
			}
			m.gatherAll(frozen)
		}
	}
	return false, nil
}

// idleGain is a fall of the cost (half a χ²) that moves nothing by a hundredth
// of its doubt.
const idleGain = 1e-5

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

// remember keeps every value, for move.
func (m *model) remember() {
	for i := range m.params {
		m.params[i].old = m.params[i].val
	}
	for _, p := range m.passes {
		p.shift.old = p.shift.val
		for i := range p.seg {
			p.seg[i].old = p.seg[i].val
		}
	}
}

// move sets the parameters to what remember kept plus step, held above their
// minima, and the passes' private offsets with them; nil goes back.
func (m *model) move(step []float64) {
	for i := range m.params {
		p := &m.params[i]
		p.val = p.old
		if step != nil {
			p.val = math.Max(p.old+step[i], p.min)
		}
	}
	for _, r := range m.rides {
		r.move(step)
	}
}

// settledTo says that no step exceeds that share of the curvature's own doubt.
func settledTo(a *mat.SymDense, step []float64, share float64) bool {
	for i, s := range step {
		if !(math.Abs(s)*math.Sqrt(a.At(i, i)) <= share) {
			return false
		}
	}
	return true
}

// unitDiagonal is A with its diagonal made 1 + λ, for unknowns of very different
// sizes, and the factors 1/√A_ii. Not ok where a diagonal is no positive number.
func unitDiagonal(a *mat.SymDense, lambda float64) (d *mat.SymDense, f []float64, ok bool) {
	n := a.SymmetricDim()
	d, f = mat.NewSymDense(n, nil), make([]float64, n)
	for i := range f {
		v := a.At(i, i)
		if !(v > 0) || math.IsInf(v, 1) {
			return nil, nil, false
		}
		f[i] = 1 / math.Sqrt(v)
	}
	for i := range f {
		d.SetSym(i, i, 1+lambda)
		for j := i + 1; j < n; j++ {
			d.SetSym(i, j, f[i]*f[j]*a.At(i, j))
		}
	}
	return d, f, true
}

// solveDamped solves (A + λ diag A) s = b.
func solveDamped(a *mat.SymDense, b []float64, lambda float64) ([]float64, bool) {
	d, f, ok := unitDiagonal(a, lambda)
	var c mat.Cholesky
	if !ok || !c.Factorize(d) {
		return nil, false
	}
	right := make([]float64, len(b))
	for i := range right {
		right[i] = f[i] * b[i]
	}
	var s mat.VecDense
	if err := c.SolveVecTo(&s, mat.NewVecDense(len(b), right)); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) || math.IsInf(float64(cond), 0) {
			return nil, false
		}
	}
	step := s.RawVector().Data
	for i := range step {
		step[i] *= f[i]
	}
	return step, true
}

// inverse is A⁻¹; not ok where A is not positive definite.
func inverse(a *mat.SymDense) (*mat.SymDense, bool) {
	d, f, ok := unitDiagonal(a, 0)
	var c mat.Cholesky
	if !ok || !c.Factorize(d) {
		return nil, false
	}
	var inv mat.SymDense
	if err := c.InverseTo(&inv); err != nil {
		return nil, false
	}
	for i := range f {
		for j := i; j < len(f); j++ {
			inv.SetSym(i, j, f[i]*f[j]*inv.At(i, j))
		}
		if v := inv.At(i, i); !(v > 0) || math.IsInf(v, 1) {
			return nil, false
		}
	}
	return &inv, true
}
