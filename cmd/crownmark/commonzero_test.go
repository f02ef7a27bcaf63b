//go:build accuracy

package main

import (
	"math"
	"sync"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// hits counts how often a doubt covered the truth.
type hits struct{ inside, n int }

func (h *hits) add(value, truth, u95 float64) {
	if h.n++; math.Abs(value-truth) <= u95 {
		h.inside++
	}
}

func (h hits) share() float64 { return float64(h.inside) / float64(h.n) }

// How often the doubt of a throw's deviation from the best common zero covers
// the truth, over virtual jobs with every disturbance, beside that of the throw
// errors: the reference's own error is in them. The truth is the same zero of the
// true throw errors.
func TestCommonZeroOfManyJobs(t *testing.T) {
	jobs := jobsAsked(t, "CROWNMARK_COMMON_JOBS", 300)
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var common, throw hits
	inParallel(jobs, func(i int) {
		c, h := commonZeroOf(t, e, uint64(i+1))
		mu.Lock()
		defer mu.Unlock()
		common, throw = hits{common.inside + c.inside, common.n + c.n}, hits{throw.inside + h.inside, throw.n + h.n}
	})
	t.Logf("from the common zero inside %.1f %% of %d, throw errors %.1f %% of %d", 100*common.share(), common.n, 100*throw.share(), throw.n)
	between(t, "from the common zero, coverage", common.share(), 0.93, 0.975)
}

// commonZeroOf is one job, with one throw 0.8° further off or none. A closure
// that failed by chance gives nothing.
func commonZeroOf(t *testing.T, e engine.Engine, seed uint64) (common, throw hits) {
	d := virtual.DefaultDisturbances()
	d.EccentricityUDeg = 0.02
	truth := virtual.Draw(virtualEngine(e), seed, d)
	if bad := &truth.Cylinders[seed%uint64(len(truth.Cylinders))]; bad.Number != e.ReferenceCylinder {
		bad.ThrowErrorDeg += 0.8
	}
	truth = virtual.Derive(truth)
	in := fit.Input{Engine: e, Priors: declared(truth.Encoder.CountsPerRev, truth.Indicators[0].Step, d.EccentricityUDeg), DirectionConfirmed: true}
	if err := virtual.Simulate(truth, virtual.DefaultPlan(), gathering(&in)); err != nil {
		t.Error(err)
		return common, throw
	}
	x, err := fit.Solve(in)
	if err != nil || x.CommonZeroDeg == nil {
		return common, throw
	}
	var errs []float64
	scale := 0.05 * 0.05 // as the fit takes it, nearly
	for i, c := range truth.Cylinders {
		u := *x.Cylinders[i].FromCommonU95Deg / 1.96
		errs, scale = append(errs, c.ThrowErrorDeg), scale+u*u/float64(len(truth.Cylinders))
	}
	zero, _ := fit.CommonZero(errs, math.Sqrt(scale))
	for i, c := range x.Cylinders {
		common.add(*c.FromCommonDeg, errs[i]-zero, *c.FromCommonU95Deg)
		if c.Number != e.ReferenceCylinder {
			throw.add(*c.ThrowErrorDeg, errs[i], *c.ThrowU95Deg)
		}
	}
	return common, throw
}
