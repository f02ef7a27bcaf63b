//go:build accuracy

package main

import (
	"bytes"
	"math"
	"sync"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
	"crownmark/fit/sweepcsv"
)

// How often the doubt of a throw's deviation from the best common zero covers
// the truth, over virtual jobs with every disturbance: the reference's own error
// is in them. The truth is the same zero of the true throw errors.
func TestCommonZeroOfManyJobs(t *testing.T) {
	jobs := jobsAsked(t, "CROWNMARK_COMMON_JOBS", 300)
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var wait sync.WaitGroup
	inside, n, next := 0, 0, make(chan uint64)
	for range 2 {
		wait.Go(func() {
			for seed := range next {
				in, of := fromCommonInside(t, e, seed)
				mu.Lock()
				inside, n = inside+in, n+of
				mu.Unlock()
			}
		})
	}
	for seed := range uint64(jobs) {
		next <- seed + 1
	}
	close(next)
	wait.Wait()
	share := float64(inside) / float64(n)
	t.Logf("inside %.1f %% of %d", 100*share, n)
	between(t, "from the common zero, coverage", share, 0.93, 0.975)
}

// fromCommonInside is one job with one throw 0.8° off, or none but small
// errors: how many deviations are inside their doubt. A closure that failed
// by chance gives none.
func fromCommonInside(t *testing.T, e engine.Engine, seed uint64) (inside, n int) {
	d := virtual.DefaultDisturbances()
	truth := virtual.Draw(virtualEngine(e), seed, d)
	if bad := &truth.Cylinders[seed%uint64(len(truth.Cylinders))]; bad.Number != e.ReferenceCylinder {
		bad.ThrowErrorDeg += 0.8
	}
	truth = virtual.Derive(truth)
	var csv bytes.Buffer
	if err := simulateTo(t.Context(), &csv, truth, virtual.DefaultPlan()); err != nil {
		t.Error(err)
		return 0, 0
	}
	file, err := sweepcsv.Read("sweeps.csv", &csv)
	if err != nil {
		t.Error(err)
		return 0, 0
	}
	p := fit.DefaultPriors()
	p.EccentricityUDeg = &d.EccentricityUDeg
	x, err := fit.Solve(fit.Input{Engine: e, Priors: p, Sweeps: file.Sweeps, DirectionConfirmed: true})
	if err != nil || x.CommonZeroDeg == nil {
		return 0, 0
	}
	var errs, scales []float64
	for i, c := range truth.Cylinders {
		errs, scales = append(errs, c.ThrowErrorDeg), append(scales, math.Hypot(0.05, *x.Cylinders[i].FromCommonU95Deg/1.96))
	}
	zero, _ := fit.CommonZero(errs, scales)
	for i, c := range x.Cylinders {
		if n++; math.Abs(*c.FromCommonDeg-(errs[i]-zero)) <= *c.FromCommonU95Deg {
			inside++
		}
	}
	return inside, n
}
