//go:build accuracy

package main

import (
	"math"
	"slices"
	"testing"

	"crownmark/acquire/virtual"
)

// Many virtual jobs on the practice four: how far off, and how often the doubt
// covers it. Run by `make accuracy`. The coverage asked is that of a 95 % doubt
// within what so many jobs can tell (the three errors of a job go together).
func TestAccuracyOfManyJobs(t *testing.T) {
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	wide := virtual.DefaultDisturbances()
	wide.CountsPerRev = []int{1440, 2400, 3600, 7200, 10000, 20000}
	wide.Steps = []virtual.Step{{Unit: "mm", Size: 0.001}, {Unit: "mm", Size: 0.002}, {Unit: "mm", Size: 0.01}, {Unit: "in", Size: 0.0005}}
	wide.IndicatorHz = []float64{3, 5, 10, 20, 50}
	wide.LashDeg, wide.PlayMM = virtual.Range{Hi: 0.4}, virtual.Range{Hi: 0.1}
	wide.SpikeShare, wide.Scale = virtual.Range{Hi: 0.05}, virtual.Range{Lo: 0.9, Hi: 1.15}
	for _, c := range []struct {
		name   string
		change func(*virtual.Disturbances, *virtual.Plan)
	}{
		{"as usual", func(*virtual.Disturbances, *virtual.Plan) {}},
		{"coarse to fine instruments, more of everything", func(d *virtual.Disturbances, _ *virtual.Plan) { *d = wide }},
		{"one way only", func(_ *virtual.Disturbances, p *virtual.Plan) { p.Ways = virtual.Forward }},
		{"one slow, one fast, one way", func(_ *virtual.Disturbances, p *virtual.Plan) { p.Ways = virtual.SlowFast }},
		{"no play", func(d *virtual.Disturbances, _ *virtual.Plan) { d.PlayMM = virtual.Range{} }},
		{"no tilt flip", func(d *virtual.Disturbances, _ *virtual.Plan) { d.TiltFlipMM = virtual.Range{} }},
		{"no lash", func(d *virtual.Disturbances, _ *virtual.Plan) { d.LashDeg = virtual.Range{} }},
		{"no spikes, no re-grips", func(d *virtual.Disturbances, _ *virtual.Plan) { d.SpikeShare, d.Hand.RegripShare = virtual.Range{}, 0 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			var off, u95 []float64
			inside, refused := 0, 0
			const jobs = 150
			for seed := uint64(1001); seed <= 1000+jobs; seed++ {
				d, p := virtual.DefaultDisturbances(), virtual.DefaultPlan()
				c.change(&d, &p)
				truth := virtual.Draw(virtualEngine(e), seed, d)
				x := solved(t, e, truth, p)
				for i, c := range x.Cylinders {
					switch {
					case c.Number == e.Reference():
					case c.IndexErrorDeg == nil:
						refused++
					default:
						miss := math.Abs(*c.IndexErrorDeg - truthOf(truth, x.Cylinders[i].Number))
						off, u95 = append(off, miss), append(u95, *c.IndexU95Deg)
						if miss <= *c.IndexU95Deg {
							inside++
						}
					}
				}
			}
			slices.Sort(off)
			slices.Sort(u95)
			covered := float64(inside) / float64(len(off))
			t.Logf("%d index errors, %d refused: off by %.4f° median, %.4f° at 95 %%, %.4f° at most; u95 %.4f° median; covered %.1f %%",
				len(off), refused, at(off, 0.5), at(off, 0.95), off[len(off)-1], at(u95, 0.5), 100*covered)
			if covered < 0.91 || covered > 0.985 || at(off, 0.95) > askedDeg {
				t.Errorf("a 95 %% doubt covers %.1f %%", 100*covered)
			}
		})
	}
}

func at(sorted []float64, p float64) float64 { return sorted[int(p*float64(len(sorted)-1))] }

func truthOf(t virtual.Truth, number int) float64 {
	for _, c := range t.Cylinders {
		if c.Number == number {
			return c.IndexErrorDeg
		}
	}
	return math.NaN()
}
