package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"sort"
	"strconv"
	"sync"
	"testing"
)

type tally struct{ in, n, low, high int }

type tallies map[string]*tally

func (t tallies) count(name string, in bool) {
	if t[name] == nil {
		t[name] = &tally{}
	}
	t[name].n++
	if in {
		t[name].in++
	}
}

func TestCoverage(t *testing.T) {
	n := 200
	if s := os.Getenv("N"); s != "" {
		n, _ = strconv.Atoi(s)
	}
	all := tallies{}
	var mu sync.Mutex
	var wg sync.WaitGroup
	var usum = map[string]float64{}
	for w := range 2 {
		wg.Go(func() {
			for i := w; i < n; i += 2 {
				rng := rand.New(rand.NewPCG(uint64(i), 7))
				v := drawVirtual(rng)
				r, err := Evaluate(v.calibrated(rng), v.options())
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				v.tally(rng, &r, all, usum)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	var names []string
	for name := range all {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		c := all[name]
		fmt.Printf("%-50s %5d %5.1f %%  mean u95 %.2f\n", name, c.n, 100*float64(c.in)/float64(c.n), usum[name]/float64(c.n)*1000)
	}
}

func (v *virtual) tally(rng *rand.Rand, r *Result, all tallies, usum map[string]float64) {
	truth := v.truths()
	slices := []string{"", " step " + fmt.Sprint(v.step), " runs " + fmt.Sprint(v.runs), " shape " + v.shape, fmt.Sprintf(" stated %v", v.stated), fmt.Sprintf(" sigma %v", math.Round(math.Log2(v.sigma)))}
	note := func(name string, in bool, u float64) {
		for _, s := range slices {
			all.count(name+s, in)
			usum[name+s] += u
		}
	}
	slices = append(slices, fmt.Sprintf(" step %v stated %v", v.step, v.stated), fmt.Sprintf(" step %v sigma %v", v.step, math.Round(math.Log2(v.sigma))), fmt.Sprintf(" step %v runs %v", v.step, v.runs), fmt.Sprintf(" step %v shape %v", v.step, v.shape), fmt.Sprintf(" step %v H %v", v.step, math.Round(v.hysteresis(0))))
	for _, c := range r.Characteristics() {
		note("over "+c.Name, *c.ValueMM-truth[c.Name] <= *c.U95MM, *c.U95MM)
		note(c.Name, math.Abs(*c.ValueMM-truth[c.Name]) <= *c.U95MM, *c.U95MM)
	}
	for i, k := range r.Correction {
		x := k.ReadingMM + k.CorrectionMM
		note("correction at", math.Abs(v.side(x, rng.IntN(2) == 0)/1000+k.CorrectionMM) <= k.U95MM, k.U95MM)
		if k.BetweenU95MM != nil {
			b := r.Correction[i+1]
			s := rng.Float64()
			x1 := b.ReadingMM + b.CorrectionMM
			c := k.CorrectionMM + s*(b.CorrectionMM-k.CorrectionMM)
			note("correction between", math.Abs(v.side(x+s*(x1-x), rng.IntN(2) == 0)/1000+c) <= *k.BetweenU95MM, *k.BetweenU95MM)
		}
	}
}
