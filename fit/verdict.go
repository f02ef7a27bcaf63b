package fit

import (
	"math"
	"slices"
)

// Verdicts against the shop's limit.
const (
	Within    = "within"
	Outside   = "outside"
	Undecided = "undecided"
)

// Verdict judges a value against ±limit with the guard band u95: neither is
// claimed unless proven.
func Verdict(value, u95, limit float64) string {
	switch v := math.Abs(value); {
	case v+u95 <= limit:
		return Within
	case v-u95 > limit:
		return Outside
	}
	return Undecided
}

// VerdictRule says in words how Verdict decides.
const VerdictRule = "within: |throw error| + U95 ≤ limit; outside: |throw error| − U95 > limit; undecided otherwise. U95 covers 95 %; about 2.5 % risk that a claim is wrong."

// Limits of what a trim may correct, degrees.
const (
	trimMostDeg      = 3.0
	wrongCylinderDeg = 20.0
)

// wrongUnit: a curve of one of these cylinders is stretched beyond belief. A
// wrong counts_per_rev does that, and it stretches the index errors as well.
func (s *solution) wrongUnit(cylinders ...int) bool {
	return slices.ContainsFunc(s.model.passes, func(p *pass) bool {
		k := s.model.value(p.scale)
		return slices.Contains(cylinders, p.src.Cylinder) && (k < scaleLeast || k > scaleMost)
	})
}

// writeTrim fills the trim in its wordings, where one may be given.
func (j *job) writeTrim(c *Cylinder, s *solution) {
	if c.IndexErrorDeg == nil || s.closureFailed || s.wrongUnit(c.Number, j.in.Engine.Reference()) {
		return
	}
	err := *c.IndexErrorDeg
	switch {
	case math.Abs(err) > wrongCylinderDeg:
		return
	case math.Abs(err) > trimMostDeg:
		j.flag(c.Number, FlagTwist)
		return
	}
	trim := 0 - err // not −err: JSON knows −0
	set := TrimSet(trim, *c.IndexU95Deg, j.in.Engine.TrimStepDeg)
	c.TrimDeg, c.TrimSetDeg, c.LeftDeg = ptr(trim), ptr(set), ptr(trim-set)
	c.TrimRetardDeg, c.TrimTopDeg = ptr(0-set), ptr(c.NominalDeg-set)
	if c.Number != j.in.Engine.Reference() {
		c.LeftByStep = leftByStep(trim, *c.IndexU95Deg)
	}
}

// TrimSet rounds a trim to the controller's step; what cannot be told from
// nothing, or is less than half a step, stays zero.
func TrimSet(trim, u95, step float64) float64 {
	if math.Abs(trim) < math.Max(u95, step/2) {
		return 0
	}
	if step < 1e-6 { // no controller's; its inverse may not be a number
		return trim
	}
	// Divide by the inverse where it is whole: 0.1° steps print as −1.5, not −1.5000000000000002.
	if inv := 1 / step; math.Abs(inv-math.Round(inv)) < 1e-9 {
		return math.Round(trim*math.Round(inv)) / math.Round(inv)
	}
	return math.Round(trim/step) * step
}
