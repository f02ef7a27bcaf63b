package calibrate

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// ResultSchema names the form of a Result.
const ResultSchema = "crownmark-calibration-1"

// DefaultOptions are what is asked where nobody asks for anything else.
func DefaultOptions() Options { return Options{LocalSpanMM: DefaultLocalSpanMM} }

// Evaluate says what an indicator is worth by its points. The characteristics
// are plain ranges of what was read (characteristics.go); their doubts, the
// correction's and the verdicts come from a simulation of indicators that could
// have shown these readings (posterior.go). The same input gives the same
// bytes. It fails where there are no points or one is no number.
func Evaluate(points []Point, o Options) (Result, error) {
	if !(o.LocalSpanMM > 0 && o.LocalSpanMM <= mostMM) {
		return Result{}, fmt.Errorf("the local span is %g mm; give millimetres above 0", o.LocalSpanMM)
	}
	if err := o.check(); err != nil {
		return Result{}, err
	}
	l, err := arrange(points, o.LocalSpanMM)
	if err != nil {
		return Result{}, err
	}
	r := Result{Schema: ResultSchema, Runs: len(l.runs), Warnings: []string{}, LocalSpanMM: o.LocalSpanMM,
		Points: make([]Row, len(points)), Correction: []Knot{}, Budget: []Line{}, Limits: map[string]float64{}, Verdict: map[string]string{}}
	for i, p := range points {
		r.Points[i] = Row{Run: p.Run, Direction: p.Direction, ReferenceMM: p.ReferenceMM, ReadingMM: p.ReadingMM, ErrorMM: errorOf(p)}
	}
	r.ErrorTotalMM, r.ErrorLocalMM = total(l.cells), local(l.cells, l.windows)
	r.HysteresisMM, r.RepeatabilityMM, r.LinearityMM = hysteresis(l.pairs), repeatability(l.repeats), linearity(l.refs, l.cells)
	knots := corrections(l)
	for _, k := range knots {
		r.Correction = append(r.Correction, Knot{ReadingMM: k.reading, CorrectionMM: k.correction})
	}
	step := o.step(points)
	p := simulate(l, o, step, knots)
	r.doubt(p)
	r.warn(l, o, len(knots), p, step)
	r.account(l, o, step, p)
	r.judge(p, o.Limits)
	return r, nil
}

// finestMM is less than any display's step.
const finestMM = 1e-9

// check refuses conditions and limits that are no numbers or no sizes.
func (o Options) check() error {
	for _, v := range []struct {
		name string
		mm   float64
	}{{"resolution", o.ResolutionMM}, {"reference's doubt", o.Reference.U95MM}, {"reference's doubt for each metre", o.Reference.PerM}} {
		if !(v.mm >= 0 && v.mm <= mostMM) {
			return fmt.Errorf("the %s is %g mm; give millimetres from 0", v.name, v.mm)
		}
	}
	if o.ResolutionMM > 0 && o.ResolutionMM < finestMM {
		return fmt.Errorf("no display has a step of %g mm; give the resolution in millimetres, or leave it out", o.ResolutionMM)
	}
	if t := o.TemperatureC; t != nil && !(math.Abs(*t) <= 100) || !(o.TempU95C >= 0 && o.TempU95C <= 100) {
		return fmt.Errorf("the temperature is no workshop's; give degrees Celsius")
	}
	for name, mm := range o.Limits {
		if !slices.Contains(CharacteristicNames(), name) {
			return fmt.Errorf("the limit %q is not known; limits are of %s", name, strings.Join(CharacteristicNames(), ", "))
		}
		if !(mm > 0 && mm <= mostMM) {
			return fmt.Errorf("the limit of %s is %g mm; give millimetres above 0", name, mm)
		}
	}
	return nil
}

// doubt puts the doubts beside the values: of a characteristic what |value −
// truth| stays below in 95 % of the draws.
func (r *Result) doubt(p posterior) {
	for name, v := range r.fields() {
		if off := p.off[name]; *v.value != nil && len(off) > 0 {
			size := make([]float64, len(off))
			for i, d := range off {
				size[i] = math.Abs(d)
			}
			*v.u95 = pointer(quantile(size, shareBelow(name)))
		}
	}
	for i := range r.Correction {
		r.Correction[i].U95MM = quantile(p.at[i], coverage)
		if i < len(p.between) {
			r.Correction[i].BetweenU95MM = pointer(quantile(p.between[i], coverage))
		}
	}
}

// coverage of every doubt.
const coverage = 0.95

// shareBelow is the share of draws that a characteristic's doubt covers. Largest
// less smallest of a drawn curve is a little too much, by the scatter that the
// draw itself has, so another calibration exceeds it by a little too little: 1 %
// more of the draws makes up for it (fit/CALIBRATION.md, as counted).
func shareBelow(name string) float64 {
	if name == Total || name == Local {
		return coverage + 0.01
	}
	return coverage
}

type field struct{ value, u95 **float64 }

func (r *Result) fields() map[string]field {
	return map[string]field{
		Total: {&r.ErrorTotalMM, &r.ErrorTotalU95MM}, Local: {&r.ErrorLocalMM, &r.ErrorLocalU95MM}, Hysteresis: {&r.HysteresisMM, &r.HysteresisU95MM},
		Repeatability: {&r.RepeatabilityMM, &r.RepeatabilityU95MM}, Linearity: {&r.LinearityMM, &r.LinearityU95MM},
	}
}
