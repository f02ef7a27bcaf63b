package calibrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// guardAt is the share of draws that a verdict leaves out on a side. A range is
// biased upward by scatter, so one side alone holds nearly all misses, and the
// curve's smoothness is only thought: 0.5 % of the draws keep both risks below
// 2.5 %, as counted over virtual indicators (fit/CALIBRATION.md).
const guardAt = 0.005

// Rule says how verdicts are decided.
const Rule = "pass: the value and its doubt above it lie within the limit; fail: the value less its doubt lies beyond it, and so does what the noise-free indicator has at least (99.5 %); " +
	"between them conditional_pass where the value is within and conditional_fail where it is beyond. A pass or a fail is wrong in 2.5 % at most (ILAC-G8, guard band of the expanded uncertainty)."

// judge puts verdicts beside the limits.
func (r *Result) judge(p posterior, limits map[string]float64) {
	if len(limits) == 0 {
		return
	}
	r.Rule = Rule
	for _, c := range r.Characteristics() {
		limit, asked := limits[c.Name]
		if !asked {
			continue
		}
		r.Limits[c.Name] = limit
		if c.ValueMM == nil || c.U95MM == nil {
			r.Warnings = append(r.Warnings, fmt.Sprintf("there is no verdict on %s: the points do not give it", nameOf(c.Name)))
			continue
		}
		low, high := p.interval(c.Name, *c.ValueMM)
		v := decide(*c.ValueMM, *c.U95MM, low, high, limit)
		r.Verdict[c.Name] = v
		if r.Overall == "" || worse(v, r.Overall) {
			r.Overall = v
		}
	}
}

// dust of binary fractions, mm: a value at the limit is within.
const dust = 1e-10

// decide is the verdict on a value with its doubt; the noise-free one lies
// between low and high.
func decide(value, u95, low, high, limit float64) string {
	switch {
	case max(value+u95, high) <= limit+dust:
		return Pass
	case min(value-u95, low) > limit+dust:
		return Fail
	case value <= limit+dust:
		return ConditionalPass
	}
	return ConditionalFail
}

// worse tells whether verdict a is worse than b.
func worse(a, b string) bool {
	order := []string{Pass, ConditionalPass, ConditionalFail, Fail}
	return slices.Index(order, a) > slices.Index(order, b)
}

// interval holds a characteristic of the noise-free indicator, all but guardAt
// on each side.
func (p *posterior) interval(name string, value float64) (low, high float64) {
	off := p.off[name]
	return value - quantile(off, 1-guardAt), value - quantile(off, guardAt)
}

// account is the budget of one corrected reading, worst first.
func (r *Result) account(l layout, o Options, stepMM float64, p posterior) {
	if len(l.refs) == 0 {
		return
	}
	length := l.refs[len(l.refs)-1] - l.refs[0]
	reference := o.Reference.U95At(length/2) / 2
	rms := length / math.Sqrt(12) // of the distance from the middle of the range
	scatter := p.scatter()
	r.Budget = []Line{
		{"error curve: scatter of the calibration and what lies between its points", fmt.Sprintf("%d points", len(l.refs)), "measured", math.Sqrt(max(p.curve*p.curve-reference*reference-math.Pow(rms*o.slopeU(), 2), 0))},
		{"hysteresis: from which side was it come to", fmt.Sprintf("%.2g µm up to down", 2000*p.half), "measured", p.half},
		{"scatter of one reading", fmt.Sprintf("%.2g µm", 1000*scatter), "measured", scatter},
		{"display step", fmt.Sprintf("%g mm", stepMM), o.stepKnown(), stepMM / math.Sqrt(12)},
		{"expansion", o.temperatureSaid(), o.temperatureKnown(), rms * o.expansionU()},
		{"cosine of the plunger to the reference", fmt.Sprintf("up to %g°", cosineDeg), "assumed", rms * cosineU()},
	}
	if o.Reference.Stated {
		r.Budget = append(r.Budget, Line{"reference", fmt.Sprintf("±%.2g µm", 2000*reference), "declared", reference})
	}
	slices.SortStableFunc(r.Budget, func(a, b Line) int { return cmp.Compare(b.UMM, a.UMM) })
}
