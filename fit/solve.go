package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Schema names the index document's version.
const Schema = "crownmark-index-1"

// Solve fits everything a job holds and returns its index document. It fails
// only where the input contradicts itself; a job without usable sweeps gives a
// document of nulls whose flags say why. An outcome that did not converge has
// no numbers and Status says so.
func Solve(in Input) (Index, error) {
	if in.Engine.StrokeMM <= 0 || len(in.Engine.Tops()) == 0 {
		return Index{}, fmt.Errorf("engine %q: no stroke or no cylinders; check the engine file", in.Engine.Name)
	}
	j := &job{in: in, first: map[*pass]float64{}, flags: map[int][]string{}, refused: map[int][]string{}, streams: map[*Series]*Series{}, wild: map[*Series][]float64{}, index: map[int]int{}, closing: none}
	if err := j.prepare(); err != nil {
		return Index{}, err
	}
	doc := j.blank()
	if len(j.passes) == 0 {
		doc.Status = "no sweep that can be fitted yet"
		doc.Advice = j.advise(nil)
		return doc, nil
	}
	j.anchor = in.Engine.Reference()
	if !j.fitted(j.anchor) {
		j.anchor = j.passes[0].src.Cylinder
	}
	sol, err := j.settle()
	if err != nil {
		doc.Status = err.Error()
		for i := range doc.Cylinders {
			c := &doc.Cylinders[i]
			j.flag(c.Number, FlagNotConverged)
			c.Flags = j.flagsOf(c.Number)
		}
		doc.Advice = j.advise(nil)
		return doc, nil
	}
	j.write(&doc, sol)
	return doc, nil
}

// solution is a converged model and its covariance.
type solution struct {
	model         *model
	cov           *mat.SymDense
	dof           float64 // of the readings
	closure       *estimate
	closureFailed bool
}

// estimate is a value with its expanded doubt.
type estimate struct{ value, u95 float64 }

// settle solves; where the reference was swept again at the end it solves
// twice: apart, to see the closure, then together.
func (j *job) settle() (*solution, error) {
	if err := j.build(true); err != nil {
		return nil, err
	}
	sol, err := j.iterate()
	if err != nil || j.closing == none {
		return sol, err
	}
	closure := estimate{value: sol.model.value(j.closing)}
	closure.u95 = sol.expand(sol.combined(unit(j.closing), []share{{"indicator placed anew", plain(remountUDeg) + "° standard", "assumed", remountUDeg * remountUDeg, math.Inf(1)}}))
	if math.Abs(closure.value) > closure.u95 {
		sol.closure, sol.closureFailed = &closure, true
		return sol, nil
	}
	if err := j.build(false); err != nil {
		return nil, err
	}
	together, err := j.iterate()
	if err != nil {
		return nil, err
	}
	together.closure = &closure
	return together, nil
}

// remountUDeg is what placing the indicator anew moves a top by, which no fit
// sees; the closing sweep is such a placing.
const remountUDeg = 0.002

func unit(i int) map[int]float64 { return map[int]float64{i: 1} }

// The first descent takes readings to be as coarse as this, so that it finds
// its way before latency and lash are known.
const startDisplayMM, startAngleDeg = 0.02, 0.1

const (
	thinnedTo   = 120 // about so many readings of a sweep find the way
	coarseTurns = 4   // rounds over those
	mostTurns   = 25
)

// iterate alternates the descent, the choice of readings, their robust weights
// and the learning of their scatter until the tops stand still: first over
// some of the readings, then over all.
func (j *job) iterate() (*solution, error) {
	m := j.model
	for _, p := range m.passes {
		p.noise.displayMM, p.noise.angleDeg, p.noise.timeS = startDisplayMM, startAngleDeg, leastS
		p.stride = max(1, len(p.t)/thinnedTo)
		p.choose(m.value(p.tau), j.lashBound())
		p.spotSpikes()
	}
	m.gatherAll()
	last := math.Inf(1)
	for round := range mostTurns {
		if round == coarseTurns {
			m.takeAll()
		}
		m.weigh()
		settled, err := m.descend(3)
		if err != nil {
			return nil, err
		}
		if round < coarseTurns {
			for _, p := range m.passes {
				p.choose(m.value(p.tau), j.lashBound())
			}
			m.gatherAll()
		}
		m.downweigh(round < 3)
		m.learnNoise()
		sum := 0.0
		for _, i := range j.index {
			sum += m.value(i)
		}
		if round > coarseTurns && settled && math.Abs(sum-last) < stillDeg {
			break
		}
		last = sum
	}
	return m.solution()
}

// stillDeg: the sum of the index errors moves by less from one round to the next.
const stillDeg = 1e-5

// takeAll goes on with every reading: the ones not looked at so far are
// weighed by their residuals.
func (m *model) takeAll() {
	for _, p := range m.passes {
		p.stride = 1
	}
	m.gatherAll()
	m.downweigh(false)
}

// solution closes a converged model with its covariance.
func (m *model) solution() (*solution, error) {
	undetermined := errors.New("the sweeps do not determine the tops")
	m.gatherAll()
	m.weigh()
	m.correlate()
	m.close()
	a, _ := m.normal()
	var c mat.Cholesky
	if !c.Factorize(a) {
		return nil, undetermined
	}
	sol := &solution{model: m, cov: &mat.SymDense{}}
	if err := c.InverseTo(sol.cov); err != nil {
		return nil, fmt.Errorf("%w: %w", undetermined, err)
	}
	for i := range m.params {
		if v := sol.cov.At(i, i); !(v >= 0 && v < math.Inf(1)) {
			return nil, undetermined
		}
	}
	private := 0
	for _, p := range m.passes {
		n := 0.0
		for _, r := range p.w {
			if r > 0 {
				n++
			}
		}
		sol.dof += n / p.vif
		private += len(p.seg)
	}
	sol.dof = math.Max(2, sol.dof-float64(len(m.params)+private))
	return sol, nil
}
