//go:build accuracy

package main

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// wayOf is a sweep's way as unknowns of its own: angle and speed every nodeS
// seconds, a Wiener process in speed, told by the encoder's changes. What the
// readings must spend on it is taken out of the information (Schur complement).
type wayOf struct {
	start float64
	n     int
	a     *mat.SymBandDense // information: angle at 2k, speed at 2k+1
	cross map[int][]float64 // with each unknown of the job
}

const nodeS = 0.02

func newWay(s seen) *wayOf {
	const besideS = 0.5
	w := &wayOf{start: slices.Min(s.at) - besideS, cross: map[int][]float64{}}
	w.n = int((slices.Max(s.at)+besideS-w.start)/nodeS) + 2
	w.a = mat.NewSymBandDense(2*w.n, 3, nil)
	w.wander(s.restless)
	for _, c := range s.encoder {
		if k, dt, ok := w.node(c.at); ok {
			w.add(2*k, 2*k, 1/c.variance)
			w.add(2*k, 2*k+1, dt/c.variance)
			w.add(2*k+1, 2*k+1, dt*dt/c.variance)
		}
	}
	for i := range 2 * w.n { // nothing is known of the rest, but not less than this
		w.add(i, i, 1e-6)
	}
	return w
}

// wander ties each node to the next: what the angle leaves by beyond its speed,
// a = x₂ − x₁ − h·v₁, and what the speed does, v = v₂ − v₁, have the covariance
// q·[h³/3 h²/2; h²/2 h] over h seconds; its inverse is taken in.
func (w *wayOf) wander(q float64) {
	const h = nodeS
	aa, av, vv := 12/(q*h*h*h), -6/(q*h*h), 4/(q*h)
	a, v := [4]float64{-1, -h, 1, 0}, [4]float64{0, -1, 0, 1} // by x₁, v₁, x₂, v₂
	for k := range w.n - 1 {
		for i := range 4 {
			for j := i; j < 4; j++ {
				w.add(2*k+i, 2*k+j, aa*a[i]*a[j]+av*(a[i]*v[j]+v[i]*a[j])+vv*v[i]*v[j])
			}
		}
	}
}

func (w *wayOf) add(i, j int, v float64) { w.a.SetSymBand(i, j, w.a.At(i, j)+v) }

// node is the last node before a time, and how long before (s).
func (w *wayOf) node(t float64) (k int, dt float64, ok bool) {
	k = int(math.Floor((t - w.start) / nodeS))
	return k, t - w.start - float64(k)*nodeS, k >= 0 && k < w.n
}

// see is a reading of weight weight whose height moves by slope per degree of
// the way and by d per unit of the job's unknowns at.
func (w *wayOf) see(t, slope, weight float64, d [kinds]float64, at [kinds]int) {
	k, dt, ok := w.node(t)
	if !ok {
		return
	}
	w.add(2*k, 2*k, weight*slope*slope)
	w.add(2*k, 2*k+1, weight*slope*slope*dt)
	w.add(2*k+1, 2*k+1, weight*slope*slope*dt*dt)
	for p, u := range at {
		if u < 0 {
			continue
		}
		if w.cross[u] == nil {
			w.cross[u] = make([]float64, 2*w.n)
		}
		w.cross[u][2*k] += weight * d[p] * slope
		w.cross[u][2*k+1] += weight * d[p] * slope * dt
	}
}

// takeOut subtracts cross·A⁻¹·crossᵀ; where A is singular the information becomes
// no number, and so does the bound.
func (w *wayOf) takeOut(add func(p, q int, v float64)) {
	var chol mat.BandCholesky
	if !chol.Factorize(w.a) {
		add(0, 0, math.NaN())
		return
	}
	for p, cp := range w.cross {
		var x mat.VecDense
		if err := chol.SolveVecTo(&x, mat.NewVecDense(len(cp), cp)); err != nil {
			add(0, 0, math.NaN())
			return
		}
		for q, cq := range w.cross {
			if q <= p {
				add(p, q, -mat.Dot(&x, mat.NewVecDense(len(cq), cq)))
			}
		}
	}
}
