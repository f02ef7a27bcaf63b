package fit

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// What is predicted before a sweep is what the fit says after it, within a
// quarter (the scatter is learnt anew). One sweep one way, then back.
func TestPredictedDoubtComesTrue(t *testing.T) {
	s := newSynth()
	forward := []Sweep{s.sweep(1, 1, 1, -28, 28, 6), s.sweep(3, 1, 2, -28, 28, 6)}
	back := []Sweep{s.sweep(1, 1, 1, 28, -28, 6), s.sweep(3, 1, 2, 28, -28, 6)}
	j := newJob(s.input(forward))
	if err := j.prepare(); err != nil {
		t.Fatal(err)
	}
	j.anchor = 1
	sol, err := j.fit(true)
	if err != nil {
		t.Fatal(err)
	}
	index := j.index[3]
	before := math.Sqrt(sol.cov.At(index, index))
	predicted := math.Sqrt(sol.after(index, []int{1, 3}, more{back: true, speed: 1, reach: 1}))
	after := cylinderOf(solve(t, s.input(forward, back)), 3)
	got := *after.IndexU95Deg / 1.96
	t.Logf("before %.5f, predicted %.5f, came %.5f", before, predicted, got)
	if math.Abs(predicted/got-1) > 0.25 || predicted > 0.7*before {
		t.Errorf("standard doubt %.5f before, %.5f predicted, %.5f after the sweep back", before, predicted, got)
	}
}

// A pass predicted to come back tells what the pass that really came back tells:
// the same parameters, and every pair of columns pulling the same way.
func TestPredictedPassIsTheOneThatComesBack(t *testing.T) {
	s := newSynth()
	j := newJob(s.input(s.both(1, 1, 1)))
	j.anchor = 1
	if err := j.prepare(); err != nil {
		t.Fatal(err)
	}
	if _, err := j.fit(true); err != nil {
		t.Fatal(err)
	}
	m := j.model
	there, back := m.passes[0], m.passes[1]
	m.params[there.flip].val = 0.02 // seen in the slope
	m.gather(back.ride, frozen)
	predicted, terms := m.sweptAgain(there, more{back: true, speed: 1, reach: 1})
	if !slices.Equal(terms, back.terms) {
		t.Errorf("terms %v, came %v", terms, back.terms)
	}
	pull := func(k *block, a, b int) float64 { return k.a[a][b] / math.Sqrt(k.a[a][a]*k.a[b][b]) }
	for a := range colCreep { // it creeps on after a pause of its own
		for b := a + 1; b < colCreep; b++ {
			if p, q := pull(&predicted, a, b), pull(&back.ride.sums.whole.own[0], a, b); !(math.Abs(p-q) < 0.2) { // other readings
				t.Errorf("columns %d and %d: %.3f, came %.3f", a, b, p, q)
			}
		}
	}
}

func TestAdviceSaysHowMuch(t *testing.T) {
	s := newSynth()
	one := s.input([]Sweep{s.sweep(1, 1, 1, -28, 28, 6)}, []Sweep{s.sweep(3, 1, 2, -28, 28, 6)})
	all := strings.Join(solve(t, one).Advice, "\n")
	for _, want := range []string{"A sweep back through the top of cylinders 1 and 3: that would bring the doubt of cylinder 3 from 0."} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q in\n%s", want, all)
		}
	}
	s = newSynth()
	ecc := 0.05
	in := s.input(s.both(1, 1, 1), s.both(3, 1, 2))
	in.Priors.EccentricityUDeg = &ecc
	if all := strings.Join(solve(t, in).Advice, "\n"); !strings.Contains(all, "turned on the crank by 180° and by 90°") || strings.Contains(all, "NaN") {
		t.Errorf("no advice to re-clock in\n%s", all)
	}
}
