package virtual

import (
	"fmt"
	"math"
	"slices"
)

// IndicatorFaults is how an indicator's own mechanics or scale go wrong. The
// zero value shows the plunger's place as it is.
//
// An error is what the display shows less where the plunger is, both counted
// from the resting stop, mm. Errors add up.
type IndicatorFaults struct {
	ScaleError   float64      `json:"scale_error,omitempty"`   // share of the travel: 0.02 shows 10.2 at 10 mm
	Bumps        []Bump       `json:"bumps,omitempty"`         // local errors
	ErrorCurve   []CurvePoint `json:"error_curve,omitempty"`   // straight between points, constant beyond
	HysteresisMM float64      `json:"hysteresis_mm,omitempty"` // moving out shows so much more than moving in
}

// Bump is a local error: largest in the middle, smoothly none (a squared
// cosine) half a width away.
type Bump struct {
	AtMM     float64 `json:"at_mm"` // of the plunger
	WidthMM  float64 `json:"width_mm"`
	HeightMM float64 `json:"height_mm"`
}

// CurvePoint is one point of an error curve.
type CurvePoint struct {
	PlungerMM float64 `json:"plunger_mm"`
	ErrorMM   float64 `json:"error_mm"`
}

// ErrorMM is the error at a plunger's place, mm in from the resting stop, half
// way between moving in and moving out.
func (f IndicatorFaults) ErrorMM(plungerMM float64) float64 {
	e := f.ScaleError * plungerMM
	for _, b := range f.Bumps {
		if off := (plungerMM - b.AtMM) / b.WidthMM; math.Abs(off) < 0.5 {
			c := math.Cos(math.Pi * off)
			e += b.HeightMM * c * c
		}
	}
	return e + curveAt(f.ErrorCurve, plungerMM)
}

// check finds what no indicator has.
func (f IndicatorFaults) check() error {
	if !(math.Abs(f.ScaleError) < 0.5) || !(f.HysteresisMM >= 0) {
		return fmt.Errorf("a scale error of %g and a hysteresis of %g mm: give less than a half and no less than 0", f.ScaleError, f.HysteresisMM)
	}
	for _, b := range f.Bumps {
		if !(b.WidthMM > 0) || math.IsNaN(b.HeightMM+b.AtMM) {
			return fmt.Errorf("a bump of %g mm over %g mm at %g mm: give a width above 0", b.HeightMM, b.WidthMM, b.AtMM)
		}
	}
	for i := 1; i < len(f.ErrorCurve); i++ {
		if a, b := f.ErrorCurve[i-1].PlungerMM, f.ErrorCurve[i].PlungerMM; !(a < b) {
			return fmt.Errorf("its error curve goes from %g to %g mm: put its points in order of the plunger's place", a, b)
		}
	}
	return nil
}

// Faulty tells whether anything is wrong.
func (f IndicatorFaults) Faulty() bool { return !f.none() }

func (f IndicatorFaults) none() bool {
	return f.ScaleError == 0 && len(f.Bumps) == 0 && len(f.ErrorCurve) == 0 && f.HysteresisMM == 0
}

// curveAt reads a curve whose points stand in order of the plunger's place.
func curveAt(c []CurvePoint, x float64) float64 {
	if len(c) == 0 {
		return 0
	}
	i, _ := slices.BinarySearchFunc(c, x, func(p CurvePoint, x float64) int {
		if p.PlungerMM < x {
			return -1
		}
		return 1
	})
	switch i {
	case 0:
		return c[0].ErrorMM
	case len(c):
		return c[i-1].ErrorMM
	}
	a, b := c[i-1], c[i]
	return a.ErrorMM + (b.ErrorMM-a.ErrorMM)*(x-a.PlungerMM)/(b.PlungerMM-a.PlungerMM)
}

// Plunger is an indicator's mechanics with its memory: the hysteresis is a
// play operator between the plunger's place and what moves the display.
type Plunger struct {
	Faults IndicatorFaults
	heldMM float64
}

// MoveTo moves the plunger to a place, mm in from the resting stop, and
// returns what a display would show that stood at 0 on a plunger without
// faults at the stop. Call it along the way: what lies between two calls is a
// straight motion.
func (p *Plunger) MoveTo(plungerMM float64) float64 {
	half := p.Faults.HysteresisMM / 2
	p.heldMM = min(max(p.heldMM, plungerMM-half), plungerMM+half)
	return p.heldMM + p.Faults.ErrorMM(p.heldMM)
}

// movedIn is what MoveTo returns of a plunger that came in from the stop.
func (f IndicatorFaults) movedIn(plungerMM float64) float64 {
	held := plungerMM - f.HysteresisMM/2
	return held + f.ErrorMM(held)
}

// movedOut is the same of one that comes out towards the stop.
func (f IndicatorFaults) movedOut(plungerMM float64) float64 {
	held := plungerMM + f.HysteresisMM/2
	return held + f.ErrorMM(held)
}
