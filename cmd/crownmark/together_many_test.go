//go:build accuracy

package main

import "testing"

// Many jobs of the same: coverage of the doubt, and the error that shrinks with it.
func TestTwoIndicatorsAtOnceOverManyJobs(t *testing.T) {
	for _, counts := range []int{1440, 2400} {
		shared, apart := companions(t, 300, counts, "left", "right")
		if c := shared.inside / shared.jobs; c < 0.93 {
			t.Errorf("%d counts: the doubt covers %.1f %%", counts, 100*c)
		}
		if !(shared.u95 < 0.75*apart.u95) || !(shared.square < apart.square) {
			t.Errorf("%d counts: doubt %.5f° (apart %.5f°), mean square error %.3g (apart %.3g)", counts, shared.u95/shared.jobs, apart.u95/apart.jobs, shared.square/shared.jobs, apart.square/apart.jobs)
		}
	}
}
