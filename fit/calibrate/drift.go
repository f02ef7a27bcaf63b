package calibrate

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// DriftResult is how fast checks move one way. Unknown is null.
type DriftResult struct {
	MMPerDay    float64 `json:"mm_per_day"`
	U95MMPerDay float64 `json:"u95_mm_per_day"`
	DOF         int     `json:"dof"`
	Significant bool    `json:"significant"` // the slope is beyond its doubt
	// LeavesDay is when the line reaches a limit (the shop's own; without one the
	// chart's), on the checks' own scale of days; EarliestDay when the bound of its
	// 95 % band does. null: the drift is not significant, or there is no limit,
	// or it takes longer than ten years.
	LeavesDay   *float64 `json:"leaves_day"`
	EarliestDay *float64 `json:"earliest_day"`
}

const furthestDays = 3652

// driftLine is a least squares line y = mean + slope·(x − at).
type driftLine struct {
	at, mean, slope float64
	sumX2           float64 // Σ(x − at)²
	s               float64 // standard deviation of a reading about the line
	n               int
}

// drift fits a line to all checks by least squares; doubt by Student's t with
// n − 2 degrees of freedom. A reading scatters by stepMM/√12 at least.
func (c *ChartResult) drift(stepMM float64) *DriftResult {
	l, ok := lineOf(c.Points)
	if !ok {
		return nil
	}
	l.s = math.Max(l.s, stepMM/math.Sqrt(12))
	k := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(l.n - 2)}.Quantile(0.975)
	d := &DriftResult{MMPerDay: l.slope, U95MMPerDay: k * l.s / math.Sqrt(l.sumX2), DOF: l.n - 2}
	d.Significant = math.Abs(d.MMPerDay) > d.U95MMPerDay
	if limit, ok := c.ahead(l.slope); ok && d.Significant {
		from := c.Points[len(c.Points)-1].Days
		d.LeavesDay = l.reaches(limit, from, 0)
		d.EarliestDay = l.reaches(limit, from, k)
	}
	return d
}

// ahead is the limit that a slope leads to.
func (c *ChartResult) ahead(slope float64) (mm float64, ok bool) {
	switch {
	case c.LimitMM != nil:
		return math.Copysign(*c.LimitMM, slope), true
	case c.LowerMM == nil:
		return 0, false
	case slope < 0:
		return *c.LowerMM, true
	}
	return *c.UpperMM, true
}

func lineOf(points []ChartPoint) (l driftLine, ok bool) {
	l.n = len(points)
	if l.n < 3 {
		return l, false
	}
	for _, p := range points {
		l.at += p.Days / float64(l.n)
		l.mean += p.DeviationMM / float64(l.n)
	}
	var xy float64
	for _, p := range points {
		x := p.Days - l.at
		l.sumX2 += x * x
		xy += x * (p.DeviationMM - l.mean)
	}
	if l.sumX2 < 1e-12 {
		return l, false
	}
	l.slope = xy / l.sumX2
	var rest float64
	for _, p := range points {
		e := p.DeviationMM - l.mean - l.slope*(p.Days-l.at)
		rest += e * e
	}
	l.s = math.Sqrt(rest / float64(l.n-2))
	return l, true
}

// reaches is the first day from `from` on which the line, widened to the limit's
// side by k standard deviations of its own place, is at the limit; nil beyond
// ten years.
func (l driftLine) reaches(limit, from, k float64) *float64 {
	side := math.Copysign(1, l.slope)
	short := func(day float64) float64 {
		x := day - l.at
		band := k * l.s * math.Sqrt(1/float64(l.n)+x*x/l.sumX2)
		return side*(limit-l.mean-l.slope*x) - band
	}
	lo, hi := from, from+furthestDays
	if short(lo) <= 0 {
		return &lo
	}
	if short(hi) > 0 {
		return nil
	}
	for range 60 {
		if mid := (lo + hi) / 2; short(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return &hi
}
