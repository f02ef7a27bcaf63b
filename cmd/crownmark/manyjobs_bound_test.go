//go:build accuracy

package main

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// What the fit takes for granted beforehand, copied from package fit's
// build.go: the bound must know as much as the fit, no more.
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
			if kind == colGrip {
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
	steps := [kinds]float64{1e-3, 1e-4, 1e-3, 1e-3, 1e-5, 1e-4, 1e-3, 1, 1, 1e-2, 1e-2}
	add := func(p, q int, v float64) {
		a.SetSym(p, q, a.At(p, q)+v)
	}
	var way *wayOf
	if s.encoder != nil && len(s.at) > 0 {
		way = newWay(s)
	}
	for i, x := range s.xDeg {
		var d [kinds]float64
		for k := range colCreep {
			d[k] = (j.moved(s, x, s.degPerS[i], k, steps[k]) - j.moved(s, x, s.degPerS[i], k, -steps[k])) / (2 * steps[k])
		}
		grip := 0
		if s.at != nil {
			d[colCreep], grip = s.standing[i], s.grip[i]
		}
		if grip != 0 {
			d[colGrip] = 1
		}
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

// wayOf is a sweep's way as unknowns of its own: angle and speed every nodeS
// seconds, a Wiener process in speed, told by the encoder's changes. What the readings
// must spend on it is taken out of the information (Schur complement).
type wayOf struct {
	start float64
	n     int
	a     *mat.SymBandDense
	cross map[int][]float64 // by unknown of the job
}

const nodeS = 0.02

func newWay(s seen) *wayOf {
	const besideS = 0.5
	w := &wayOf{start: s.at[0] - besideS, cross: map[int][]float64{}}
	for _, t := range s.at {
		w.start = min(w.start, t-besideS)
	}
	end := s.at[0] + besideS
	for _, t := range s.at {
		end = max(end, t+besideS)
	}
	w.n = int((end-w.start)/nodeS) + 2
	w.a = mat.NewSymBandDense(2*w.n, 3, nil)
	h, q := nodeS, s.restless
	// Q⁻¹ of [h³/3 h²/2; h²/2 h]·q
	i11, i12, i22 := 12/(q*h*h*h), -6/(q*h*h), 4/(q*h)
	for k := range w.n - 1 {
		// r = x₂ − x₁ − h·v₁, s = v₂ − v₁
		r, sp := [4]float64{-1, -h, 1, 0}, [4]float64{0, -1, 0, 1}
		for p := range 4 {
			for o := p; o < 4; o++ {
				w.add(2*k+p, 2*k+o, i11*r[p]*r[o]+i12*(r[p]*sp[o]+sp[p]*r[o])+i22*sp[p]*sp[o])
			}
		}
	}
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

func (w *wayOf) add(i, j int, v float64) { w.a.SetSymBand(i, j, w.a.At(i, j)+v) }

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

// takeOut subtracts cross·A⁻¹·crossᵀ.
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
