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
	j := newJob(in)
	if err := j.prepare(); err != nil {
		return Index{}, err
	}
	doc := j.blank()
	if len(j.passes) == 0 {
		doc.Status = "no sweep that can be fitted yet"
		doc.Advice = j.advise(nil, nil)
		return doc, nil
	}
	j.keepAnchor()
	sol, err := j.settle()
	if err != nil {
		doc.Status = err.Error()
		for i := range doc.Cylinders {
			c := &doc.Cylinders[i]
			j.flag(c.Number, FlagNotConverged)
			c.Flags = j.flagsOf(c.Number)
		}
		doc.Advice = j.advise(nil, nil)
		return doc, nil
	}
	j.write(&doc, sol)
	return doc, nil
}

// solution is a converged model and its covariance.
type solution struct {
	model         *model
	cov           *mat.SymDense
	carried       []carried // what the corrections' doubts move
	dof           float64   // of the readings
	closure       *estimate
	closureFailed bool
}

// estimate is a value with its expanded doubt.
type estimate struct{ value, u95 float64 }

// keepAnchor lets the first cylinder with a sweep stand in for an anchor without.
func (j *job) keepAnchor() {
	if !j.fitted(j.anchor) {
		j.anchor = j.passes[0].src.Cylinder
	}
}

// settle solves; knocks and lost counts that show in the residuals are taken up
// one by one. Where the reference was swept again at the end it solves twice: apart,
// to see the closure, then together.
func (j *job) settle() (*solution, error) {
	sol, err := j.fit(true)
	for range bumpMost {
		if err != nil || !j.spotSteps(sol) {
			break
		}
		if len(j.passes) == 0 {
			return nil, errors.New("no sweep that can be fitted yet")
		}
		j.keepAnchor()
		sol, err = j.fit(true)
	}
	if err != nil || j.closing == none {
		return sol, err
	}
	closure := estimate{value: sol.model.value(j.closing)}
	closure.u95 = sol.expand(sol.combined(unit(j.closing), []share{{"indicator placed anew", plain(remountUDeg) + "° standard", "assumed", remountUDeg * remountUDeg, math.Inf(1)}}))
	if math.Abs(closure.value) > closure.u95 {
		sol.closure, sol.closureFailed = &closure, true
		return sol, nil
	}
	together, err := j.fit(false)
	if err != nil {
		return nil, err
	}
	together.closure = &closure
	return together, nil
}

// fit lays the model out and solves it. separate: build's.
func (j *job) fit(separate bool) (*solution, error) {
	if err := j.build(separate); err != nil {
		return nil, err
	}
	if err := j.approach(nearDeg); err != nil {
		return nil, err
	}
	return j.solution()
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

// approach finds the way over some of the readings, then settles over all,
// until no top moves by more than still (degrees) from one round to the next;
// each reading stands alone yet.
func (j *job) approach(still float64) error {
	m := j.model
	for _, p := range m.passes {
		p.noise.displayMM, p.noise.angleDeg, p.noise.timeS = startDisplayMM, startAngleDeg, leastS
		if p.readOff { // the eye's doubt is declared: only what comes on top is learnt
			p.noise.displayMM, p.noise.angleDeg = 2*p.noise.floorMM, p.src.AngleUDeg/10
		}
		p.stride = max(1, len(p.t)/thinnedTo)
		p.choose(m.value(p.tau), j.lashBound())
		p.spotSpikes()
	}
	m.gatherAll(frozen)
	for round := range coarseTurns {
		m.weigh()
		if _, err := m.descend(4); err != nil {
			return err
		}
		for _, p := range m.passes {
			p.choose(m.value(p.tau), j.lashBound())
		}
		m.gatherAll(frozen)
		m.downweigh(round < coarseTurns-1)
		m.learnNoise()
	}
	for _, p := range m.passes {
		p.stride = 1
	}
	if !j.relax(still) {
		return j.insist()
	}
	return nil
}

// The last steps, with what neighbouring readings share, begin when no top
// moves by more than nearDeg from one round to the next, and end when none
// would move by more than stillDeg, or after lastSteps.
const (
	nearDeg, stillDeg = 1e-4, 3e-5
	lastSteps         = 3
)

// relax goes on with new weights and newly learnt scatter at each Gauss–Newton
// step, and reports whether the tops came to a stand.
func (j *job) relax(still float64) bool {
	m := j.model
	for range mostTurns {
		m.gatherAll(reweigh)
		a, b := m.normal()
		step, ok := m.stepWithin(a, b, 0)
		if !ok {
			return false
		}
		m.remember()
		m.move(step)
		m.learnNoise()
		if settledTo(a, step, 0.5) && j.moved() < still {
			return true
		}
	}
	return false
}

// moved is how far a top moved since remember, the furthest.
func (j *job) moved() float64 {
	return j.furthest(func(i int) float64 { return j.model.params[i].val - j.model.params[i].old })
}

// furthest is the largest of a step over index errors and mounts.
func (j *job) furthest(step func(param int) float64) (most float64) {
	for _, list := range []map[int]int{j.index, j.mounts} {
		for _, i := range list {
			if i != none {
				most = math.Max(most, math.Abs(step(i)))
			}
		}
	}
	return most
}

// insist is the slow way where relax swings (a reading on the corner where a
// hanging piston is caught): whole descents with the weights frozen.
func (j *job) insist() error {
	m := j.model
	for range mostTurns {
		m.gatherAll(reweigh)
		before := make(map[int]float64, len(j.index))
		for _, i := range j.index {
			before[i] = m.value(i)
		}
		settled, err := m.descend(20)
		if err != nil {
			return err
		}
		m.learnNoise()
		most := 0.0
		for i, v := range before {
			most = math.Max(most, math.Abs(m.value(i)-v))
		}
		if settled && most < stillDeg {
			return nil
		}
	}
	return nil
}

// finish takes the last steps, with what neighbouring readings share, and
// returns the covariance.
func (j *job) finish() (*mat.SymDense, error) {
	m := j.model
	m.learnTogether()
	for left := lastSteps; ; left-- {
		m.whitenAll()
		a, b := m.normal()
		step, ok := m.stepWithin(a, b, 0)
		if !ok || left == 0 || j.furthest(func(i int) float64 { return step[i] }) < stillDeg {
			if cov, ok := inverse(a); ok {
				return cov, nil
			}
			return nil, errors.New("the sweeps do not determine the tops")
		}
		m.remember()
		m.move(step)
	}
}

// solution takes the last steps and notes what the doubt is made of.
func (j *job) solution() (*solution, error) {
	m := j.model
	cov, err := j.finish()
	if err != nil {
		return nil, err
	}
	sol := &solution{model: m, cov: cov}
	sol.carry(j)
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
	if m.byEye() { // the eye's scatter is declared, not learnt
		sol.dof = math.Inf(1)
	}
	return sol, nil
}
