//go:build accuracy

package main

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// What the fit takes for granted beforehand, as in package fit (build.go,
// model.go), and what `declared` tells it of latency and lash: the bound must
// know as much as the fit, no more.
const (
	beforeScaleU, beforePlayUMM, beforeFlipUMM, beforeWidthLogU = 0.08, 0.03, 0.0115, 0.4
	beforeShiftUMM, beforeRodUMM, beforeOffsetUMM               = 0.02, 0.1, 0.03
	beforeGripUMM, beforeCreepUMMPerS                           = 0.02, 5e-4
	beforeScale, beforePlayMM, beforeWidthDeg                   = 1.03, 0.05, 1.0
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

// seen is one sweep's used readings: where the crank truly was, and how fast;
// when (s, the instant of looking), how long the indicator had stood there, and
// after how many re-grips (negative: before those that came before the top).
type seen struct {
	cylinder, placement int
	dir                 float64
	xDeg, degPerS       []float64
	at, standing        []float64
	grip                []int
	encoder             []change // nil: exact
	restless            float64  // of the hand's speed, deg²/s³
}

// change is what the encoder tells of the angle at a time: variance in deg².
type change struct{ at, variance float64 }

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
	colCreep
	colGrip
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
// (the Schur complement of the nuisances). NaN where the information is singular.
func (j limitOf) variances(reference int) map[int]float64 {
	cols, places := unknowns{}, make([]func(kind, grip int) int, len(j.sweeps))
	for i, s := range j.sweeps {
		own := [kinds]int{s.cylinder, 0, 0, s.placement, s.placement, s.placement, s.placement, s.placement, i, 0, 0, s.placement, 0}
		places[i] = func(kind, grip int) int {
			if kind == colGrip { // one for each sweep and re-grip; far fewer than 50 before or after the top
				return cols.of(kind, 100*i+50+grip)
			}
			return cols.of(kind, own[kind])
		}
		for kind := range colGrip {
			places[i](kind, 0)
		}
		for _, g := range s.grip {
			if g != 0 {
				places[i](colGrip, g)
			}
		}
	}
	a := mat.NewSymDense(len(cols), nil)
	before := [kinds]float64{colTau: beforeLatencyUMS / 1e3, colLash: beforeLashUDeg, colScale: beforeScaleU, colPlay: beforePlayUMM,
		colFlip: beforeFlipUMM, colWidth: beforeWidthLogU, colShift: beforeShiftUMM, colRod: beforeRodUMM, colOffset: beforeOffsetUMM,
		colCreep: beforeCreepUMMPerS, colGrip: beforeGripUMM}
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
func (j limitOf) inform(a *mat.SymDense, s seen, place func(kind, grip int) int) {
	add := func(p, q int, v float64) {
		a.SetSym(p, q, a.At(p, q)+v)
	}
	var way *wayOf
	if s.encoder != nil && len(s.at) > 0 {
		way = newWay(s)
	}
	for i := range s.xDeg {
		d, grip := j.derivatives(s, i)
		timing := d[colTau] * j.jitter // dy/dτ = −slope·speed
		w := j.keep / (j.noiseMM*j.noiseMM + j.stepMM*j.stepMM/12 + timing*timing)
		var at [kinds]int
		for k := range at {
			if at[k] = -1; d[k] != 0 {
				at[k] = place(k, grip)
			}
		}
		for p := range kinds {
			for q := range p + 1 {
				if at[p] >= 0 && at[q] >= 0 {
					add(at[p], at[q], w*d[p]*d[q])
				}
			}
		}
		if way != nil {
			way.see(s.at[i], -d[colTop], w, d, at)
		}
	}
	if way != nil {
		way.takeOut(add)
	}
}

// derivatives are a reading's, by differences of these steps, and the stretch
// between re-grips that it lies in (0: the top's).
func (j limitOf) derivatives(s seen, i int) (d [kinds]float64, grip int) {
	steps := [colCreep]float64{colTop: 1e-3, colTau: 1e-4, colLash: 1e-3, colScale: 1e-3, colPlay: 1e-5, colFlip: 1e-4, colWidth: 1e-3,
		colZero: 1, colShift: 1, colRod: 1e-2, colOffset: 1e-2}
	for k, step := range steps {
		d[k] = (j.moved(s, s.xDeg[i], s.degPerS[i], k, step) - j.moved(s, s.xDeg[i], s.degPerS[i], k, -step)) / (2 * step)
	}
	if s.at != nil {
		d[colCreep], grip = s.standing[i], s.grip[i]
	}
	if grip != 0 {
		d[colGrip] = 1
	}
	return d, grip
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
