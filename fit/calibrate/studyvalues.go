package calibrate

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// studyDraws is how often an interval's mean squares are drawn.
const studyDraws = 5_000

// variances are a study's in deg²: components by term, and what is made of them.
type variances struct {
	by                                     [nTerms]float64
	repeats, reproduced, gauge, parts, all float64
}

// mix is how a design makes variances of mean squares.
type mix struct {
	w  [nTerms]weights
	ok [nTerms]bool
}

// sum adds up the components that are told, below zero too where raw.
func (x mix) sum(mean [nTerms]float64, raw bool) (v variances) {
	for k := range x.w {
		if !x.ok[k] {
			continue
		}
		own := x.w[k].of(mean)
		v.by[k] = own
		if !raw {
			own = math.Max(own, 0)
		}
		switch k {
		case tPart:
			v.parts += own
			continue
		case tRepeat:
			v.repeats += own
		default:
			v.reproduced += own
		}
		v.gauge += own
	}
	v.gauge, v.parts = math.Max(v.gauge, 0), math.Max(v.parts, 0)
	v.all = v.gauge + v.parts
	return v
}

// figures of a study, in the order of figuresOf.
const (
	fRepeat = nTerms + iota
	fReproduced
	fGauge
	fPart
	fTotal
	fOfTotal
	fCategories
	nFigures
)

// figuresOf makes standard deviations and ratios.
func figuresOf(v variances) (f [nFigures]float64) {
	for k := range v.by {
		f[k] = root(v.by[k])
	}
	f[fRepeat], f[fReproduced], f[fGauge] = root(v.repeats), root(v.reproduced), root(v.gauge)
	f[fPart], f[fTotal] = root(v.parts), root(v.all)
	f[fOfTotal], f[fCategories] = 100, 0
	if v.all > 0 {
		f[fOfTotal] = 100 * math.Sqrt(v.gauge/v.all)
	}
	if v.parts > 0 {
		f[fCategories] = 1.41 * math.Sqrt(v.parts/v.gauge)
	}
	return f
}

// intervals bounds each figure with 95 %. The mean squares' true values are drawn
// as SS/χ²(ν), the generalised pivots of a random model; each figure is made of
// every draw both as it is made of the readings (a component below zero counts as
// zero) and with the components' signs kept, and the bounds are those of the lesser and the greater of the
// two. The draws are always the same.
//
// Source: S. Weerahandi, generalised confidence intervals (1993), as used on gauge studies by
// Hamada and Weerahandi (2000). Over 12,000 virtual studies the truth lay within in
// 94 to 97 %; of two people in 92 to 93 % for the gauge and reproducibility.
func intervals(t [nTerms]studyTerm, x mix, chi2 [nTerms][]float64) (low, high [nFigures]float64) {
	draws := len(chi2[tPart])
	var lesser, greater [nFigures][]float64
	for k := range lesser {
		lesser[k], greater[k] = make([]float64, draws), make([]float64, draws)
	}
	for i := range draws {
		var mean [nTerms]float64
		for k := range t {
			if t[k].dof > 0 {
				mean[k] = t[k].squares / chi2[k][i]
			}
		}
		kept, signed := figuresOf(x.sum(mean, false)), figuresOf(x.sum(mean, true))
		for k := range kept {
			lesser[k][i], greater[k][i] = math.Min(kept[k], signed[k]), math.Max(kept[k], signed[k])
		}
	}
	for k := range lesser {
		slices.Sort(lesser[k])
		slices.Sort(greater[k])
		low[k], high[k] = lesser[k][draws/40], greater[k][draws-1-draws/40]
	}
	return low, high
}

// chiSquares draws χ² for each term that has degrees of freedom: one of each of n equal shares of its
// distribution, shuffled, so that a term by itself is bounded exactly.
func chiSquares(t [nTerms]studyTerm, n int) (chi2 [nTerms][]float64) {
	shuffle := rand.New(rand.NewPCG(20, 24))
	for k := range t {
		if t[k].dof == 0 {
			continue
		}
		chi := distuv.ChiSquared{K: float64(t[k].dof)}
		chi2[k] = make([]float64, n)
		for i, at := range shuffle.Perm(n) {
			chi2[k][at] = chi.Quantile((float64(i) + 0.5) / float64(n))
		}
	}
	return chi2
}

// fill makes the figures of a study.
func (s *StudyResult) fill(t [nTerms]studyTerm, c studyCells) {
	var x mix
	x.w, x.ok = c.components(t)
	var mean [nTerms]float64
	for k := range t {
		mean[k] = t[k].mean()
	}
	value := figuresOf(x.sum(mean, false))
	low, high := intervals(t, x, chiSquares(t, studyDraws))
	told := func(k int) *Bounded { return bounded(value[k], low[k], high[k], 1) }
	for k := range t {
		if t[k].dof == 0 {
			continue
		}
		part := Component{Source: t[k].source}
		if x.ok[k] {
			part.Deg, part.Zeroed = told(k), x.w[k].of(mean) < 0
		}
		s.Components = append(s.Components, part)
	}
	if x.ok[tRepeat] {
		s.RepeatabilityDeg = told(fRepeat)
	}
	if c.o > 1 || c.m > 1 {
		s.ReproducibilityDeg = told(fReproduced)
	}
	s.GaugeDeg, s.PartDeg, s.TotalDeg = told(fGauge), told(fPart), told(fTotal)
	s.GaugeOfTotalPercent, s.Categories = told(fOfTotal), told(fCategories)
	if math.IsInf(value[fCategories], 0) {
		s.Categories = nil
	}
	if s.IndexLimitDeg != nil {
		k := 300 / *s.IndexLimitDeg
		s.GaugeOfTolerancePercent = bounded(value[fGauge], low[fGauge], high[fGauge], k)
	}
	s.Notes = append(s.Notes, c.untold()...)
}

// bounded is nil of no number.
func bounded(value, low, high, times float64) *Bounded {
	if math.IsNaN(value) {
		return nil
	}
	b := Bounded{Value: value * times, Low: math.Min(value, low) * times}
	if top := math.Max(value, high) * times; !math.IsInf(top, 0) {
		b.High = &top
	}
	return &b
}

// untold says what the design cannot tell apart.
func (c *studyCells) untold() (notes []string) {
	switch c.o {
	case 1:
		notes = append(notes, "One person: what another would read differently is not in it.")
	case 2:
		notes = append(notes, "Two people tell little of how people differ: a third would narrow the bounds.")
	}
	switch {
	case c.m == 1 && c.o == 1:
		notes = append(notes, "One mounting: what mounting anew changes is not in it.")
	case c.m == 1:
		notes = append(notes, "One mounting for each person: what mounting anew changes is counted as the person's.")
	}
	if c.r == 1 {
		notes = append(notes, "One set of sweeps in each mounting: what sweeping again changes is counted as the mounting's.")
	}
	return notes
}
