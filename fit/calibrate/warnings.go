package calibrate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// warn says what is not known, or not known well enough.
func (r *Result) warn(l layout, o Options, knots int, p posterior, stepMM float64) {
	add := func(yes bool, text string, values ...any) {
		if yes {
			r.Warnings = append(r.Warnings, fmt.Sprintf(text, values...))
		}
	}
	add(!o.Reference.Stated, "nobody stated the reference's doubt: no doubt here has it in; state it, or the figures hold only against this reference")
	add(o.TemperatureC == nil, "nobody noted the temperature: within %g °C of 20 °C was assumed", shopC)
	if t := o.TemperatureC; t != nil {
		add(math.Abs(*t-standardC) > shopC, "it was %g °C: more than %g °C off 20 °C; calibrate nearer to 20 °C", *t, shopC)
	}
	add(len(l.pairs) == 0, "no point was come to from both sides within one run: the hysteresis is unknown, and the correction's doubt holds for this side only")
	add(r.RepeatabilityMM == nil, "no point was read repeatedly: the repeatability is unknown")
	add(r.ErrorLocalMM == nil, "no two points lie within %g mm: the local error is unknown", o.LocalSpanMM)
	add(knots < len(l.refs), "%d reference points were put together with their neighbours in the correction: they lie closer than their readings can tell", len(l.refs)-knots)
	apart, chance := l.runsApart(math.Hypot(p.scatter(), stepMM/math.Sqrt(12)))
	add(chance < chanceOfRuns, "the runs do not agree: their means lie %.2g µm apart, more than the scatter explains; was the display zeroed anew, or was the stand not at rest?", apart*1000)
	if n := len(l.refs); n > 0 {
		r.Warnings = append(r.Warnings, TooCoarse(o.Reference, l.refs[n-1]-l.refs[0], o.Limits)...)
	}
}

// chanceOfRuns is the chance below which runs are said not to agree.
const chanceOfRuns = 0.001

// scatter of one reading, the draws' median, mm.
func (p *posterior) scatter() float64 { return quantile(p.sigma, 0.5) }

// runsApart is how far the means of the runs lie apart, mm, over what every run
// read, and the chance of as much where each reading scatters by sd: the sum of
// n·(mean − mean of all)²/sd² is χ² with one degree of freedom less than runs.
func (l *layout) runsApart(sd float64) (mm, chance float64) {
	n := len(l.runs)
	sums, of := make([]float64, n), 0.0
	for i := range l.cells {
		c := &l.cells[i]
		means := make([]float64, 0, n)
		for _, run := range l.runs {
			if e := l.of[key{run, c.at, c.down}]; len(e) > 0 {
				means = append(means, mean(e))
			}
		}
		if len(means) < n {
			continue
		}
		of++
		for j, m := range means {
			sums[j] += m - mean(means)
		}
	}
	if of == 0 || n < 2 {
		return 0, 1
	}
	low, top, chi2 := math.Inf(1), math.Inf(-1), 0.0
	for _, s := range sums {
		m := s / of
		low, top, chi2 = min(low, m), max(top, m), chi2+of*m*m/(sd*sd)
	}
	return top - low, 1 - distuv.ChiSquared{K: float64(n - 1)}.CDF(chi2)
}
