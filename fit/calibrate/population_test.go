package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"
	"testing"
)

// count is how often something was so, of how many.
type count struct{ yes, of int }

func (c count) share() float64 { return 100 * float64(c.yes) / float64(c.of) }

// margin is 2.33 standard deviations of a share in percent: what a count of so
// many is off by in one case of a hundred on one side.
func margin(percent float64, of int) float64 {
	p := percent / 100
	return 100 * 2.33 * math.Sqrt(p*(1-p)/float64(of))
}

// counts by name, and by name and slice.
type counts map[string]*count

func (c counts) add(yes bool, name string, slices ...string) {
	for _, s := range append(slices, "") {
		k := name + s
		if c[k] == nil {
			c[k] = &count{}
		}
		c[k].of++
		if yes {
			c[k].yes++
		}
	}
}

// everyVirtual calibrates so many indicators of the mixture and hands each to
// look, one at a time. limits makes an indicator's limits of its truth.
func everyVirtual(t *testing.T, n int, seed uint64, limits func(truth map[string]float64) map[string]float64, look func(v *virtual, rng *rand.Rand, r *Result)) {
	t.Helper()
	var mu sync.Mutex
	var wg sync.WaitGroup
	workers := runtime.GOMAXPROCS(0)
	for w := range workers {
		wg.Go(func() {
			for i := w; i < n; i += workers {
				rng := rand.New(rand.NewPCG(seed, uint64(i)))
				v := drawVirtual(rng)
				o := v.options()
				if limits != nil {
					o.Limits = limits(v.truths())
				}
				r, err := Evaluate(v.calibrated(rng), o)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				look(&v, rng, &r)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
}

// slicesOf name what an indicator is like.
func (v *virtual) slicesOf() []string {
	stated := "not stated"
	if v.stated {
		stated = "stated"
	}
	size := "below 0.6 µm"
	switch {
	case v.sigma > 1.2:
		size = "above 1.2 µm"
	case v.sigma > 0.6:
		size = "0.6 to 1.2 µm"
	}
	return []string{fmt.Sprintf(", step %g mm", v.step), fmt.Sprintf(", %d runs", v.runs), ", " + v.shape, ", reference " + stated, ", scatter " + size, fmt.Sprintf(", range %g mm", v.points[len(v.points)-1])}
}

// covered counts whether the doubts cover the truth: of each characteristic,
// and of the correction at a knot and between two, from either side.
func covered(c counts, v *virtual, rng *rand.Rand, r *Result) {
	truth, like := v.truths(), v.slicesOf()
	for _, x := range r.Characteristics() {
		c.add(math.Abs(*x.ValueMM-truth[x.Name]) <= *x.U95MM, x.Name, like...)
	}
	at := rng.IntN(len(r.Correction))
	k := r.Correction[at]
	c.add(v.corrected(k.ReadingMM+k.CorrectionMM, k.CorrectionMM, rng.IntN(2) == 0) <= k.U95MM, "correction at a knot", like...)
	if k.BetweenU95MM == nil {
		return
	}
	b, share := r.Correction[at+1], rng.Float64()
	correction := k.CorrectionMM + share*(b.CorrectionMM-k.CorrectionMM)
	place := k.ReadingMM + share*(b.ReadingMM-k.ReadingMM) + correction
	c.add(v.corrected(place, correction, rng.IntN(2) == 0) <= *k.BetweenU95MM, "correction between knots", like...)
}

// corrected is what is left of the error at a place after a correction, mm.
func (v *virtual) corrected(x, correction float64, down bool) float64 {
	return math.Abs(v.side(x, down)/1000 + correction)
}

// verdicts counts passes and fails of indicators that lie exactly at the limit.
func verdicts(c counts, v *virtual, r *Result) {
	for name, verdict := range r.Verdict {
		c.add(verdict == Pass, name+" pass", v.slicesOf()...)
		c.add(verdict == Fail, name+" fail", v.slicesOf()...)
	}
}

func atTheLimit(truth map[string]float64) map[string]float64 { return truth }
