package fit

import (
	"math"
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
