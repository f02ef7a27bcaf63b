//go:build accuracy

package main

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// What the fit takes for granted beforehand, copied from package fit's
// build.go: the bound must know as much as the fit, no more.
const (
	beforeScaleU, beforePlayUMM, beforeFlipUMM, beforeWidthLogU = 0.08, 0.04, 0.01, 0.5
	beforeShiftUMM, beforeRodUMM, beforeOffsetUMM               = 0.003, 0.1, 0.03
	beforeScale, beforePlayMM, beforeWidthDeg                   = 1.03, 0.02, 1.2
	beforeLatencyMS, beforeLatencyUMS                           = 50, 29
	beforeLashDeg, beforeLashUDeg                               = 0.2, 0.115
)

// thrust is a crank, a rod and a pin offset, in mm, as written on paper:
// y(θ) = r cos θ + √(l² − (r sin θ − e)²).
type thrust struct{ r, l, e float64 }

func (g thrust) height(rad float64) float64 {
	sin, cos := math.Sincos(rad)
	aside := g.r*sin - g.e
	return g.r*cos + math.Sqrt(g.l*g.l-aside*aside)
}

// rise is the height over the top (never above 0), xDeg after the top.
func (g thrust) rise(xDeg float64) float64 {
	top := math.Asin(g.e / (g.l + g.r))
	return g.height(top+xDeg*math.Pi/180) - g.height(top)
}

// stand is one placement of the indicator as it truly was.
type stand struct{ scale, playMM, flipMM, widthDeg float64 }

// shown is the display without noise, xDeg after the top in direction dir.
func (g thrust) shown(xDeg, dir float64, s stand) float64 {
	s0 := g.rise(xDeg)
	if dir*xDeg > 0 { // pulled down: hangs until the rod has dropped by the play
		s0 = math.Min(0, s0+s.playMM)
	}
	return s.scale*s0 + dir*s.flipMM*math.Tanh(xDeg/s.widthDeg)
}

// seen is one sweep's used readings: where the crank truly was, and how fast.
type seen struct {
	cylinder, placement int
	dir                 float64
	xDeg, degPerS       []float64
}

// limitOf is everything that a job's bound depends on.
type limitOf struct {
	crank                   thrust
	stands                  map[int]stand // by placement
	sweeps                  []seen
	noiseMM, stepMM, jitter float64 // jitter in s
	keep                    float64 // share of readings that are no spikes
}

// unknowns hands out the unknowns' places in the information matrix.
type unknowns map[[2]int]int

const (
	colTop = iota
	colTau
	colLash
	colScale
	colPlay
	colFlip
	colWidth
	colZero
	colShift
	colRod
	colOffset
	kinds
)

func (c unknowns) of(kind, of int) int {
	k := [2]int{kind, of}
	if _, ok := c[k]; !ok {
		c[k] = len(c)
	}
	return c[k]
}

// variances gives, for every cylinder but the reference, the least variance
// (degrees²) that an unbiased estimate of its index error can have: with A the
// Fisher information of all unknowns and the prior knowledge of the nuisances,
// it is cᵀA⁻¹c with c = +1 at the cylinder's top and −1 at the reference's
// (the Schur complement of the nuisances). The encoder is taken as exact, so
// the bound is strict. NaN where the information is singular.
func (j limitOf) variances(reference int) map[int]float64 {
	cols, places := unknowns{}, make([][kinds]int, len(j.sweeps))
	for i, s := range j.sweeps {
		places[i] = [kinds]int{cols.of(colTop, s.cylinder), cols.of(colTau, 0), cols.of(colLash, 0),
			cols.of(colScale, s.placement), cols.of(colPlay, s.placement), cols.of(colFlip, s.placement), cols.of(colWidth, s.placement),
			cols.of(colZero, s.placement), cols.of(colShift, i), cols.of(colRod, 0), cols.of(colOffset, 0)}
	}
	a := mat.NewSymDense(len(cols), nil)
	before := [kinds]float64{colTau: beforeLatencyUMS / 1e3, colLash: beforeLashUDeg, colScale: beforeScaleU, colPlay: beforePlayUMM,
		colFlip: beforeFlipUMM, colWidth: beforeWidthLogU, colShift: beforeShiftUMM, colRod: beforeRodUMM, colOffset: beforeOffsetUMM}
	for key, at := range cols {
		if sd := before[key[0]]; sd > 0 {
			a.SetSym(at, at, 1/(sd*sd))
		}
	}
	for i, s := range j.sweeps {
		j.inform(a, s, places[i])
	}
	return solveFor(a, cols, reference)
}

func solveFor(a *mat.SymDense, cols unknowns, reference int) map[int]float64 {
	out := map[int]float64{}
	var chol mat.Cholesky
	ok := chol.Factorize(a)
	ref, swept := cols[[2]int{colTop, reference}]
	for key, at := range cols {
		if key[0] != colTop || key[1] == reference {
			continue
		}
		out[key[1]] = math.NaN()
		if !ok || !swept {
			continue
		}
		c, x := mat.NewVecDense(len(cols), nil), &mat.VecDense{}
		c.SetVec(at, 1)
		c.SetVec(ref, -1)
		if err := chol.SolveVecTo(x, c); err == nil {
			out[key[1]] = mat.Dot(c, x)
		}
	}
	return out
}

// inform adds one sweep's readings to the information.
func (j limitOf) inform(a *mat.SymDense, s seen, at [kinds]int) {
	steps := [kinds]float64{1e-3, 1e-4, 1e-3, 1e-3, 1e-5, 1e-4, 1e-3, 1, 1, 1e-2, 1e-2}
	for i, x := range s.xDeg {
		var d [kinds]float64
		for k := range d {
			d[k] = (j.moved(s, x, s.degPerS[i], k, steps[k]) - j.moved(s, x, s.degPerS[i], k, -steps[k])) / (2 * steps[k])
		}
		timing := d[colTau] * j.jitter // dy/dτ = −slope·speed
		w := j.keep / (j.noiseMM*j.noiseMM + j.stepMM*j.stepMM/12 + timing*timing)
		for p := range kinds {
			for q := range p + 1 {
				a.SetSym(at[p], at[q], a.At(at[p], at[q])+w*d[p]*d[q])
			}
		}
	}
}

// moved is the display with one unknown moved by step.
func (j limitOf) moved(s seen, x, degPerS float64, kind int, step float64) float64 {
	g, st, add := j.crank, j.stands[s.placement], 0.0
	switch kind {
	case colTop:
		x -= step
	case colTau:
		x -= degPerS * step
	case colLash:
		x += s.dir * step / 2
	case colScale:
		st.scale += step
	case colPlay:
		st.playMM += step
	case colFlip:
		st.flipMM += step
	case colWidth:
		st.widthDeg *= math.Exp(step)
	case colZero, colShift:
		add = step
	case colRod:
		g.l += step
	case colOffset:
		g.e += step
	}
	return g.shown(x, s.dir, st) + add
}
