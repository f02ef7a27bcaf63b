package engine

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Bounds of what is believed; beyond them a unit or a digit is wrong.
const (
	minStrokeMM, maxStrokeMM = 10, 3000
	maxRodRatio              = 6    // rod over stroke
	maxOffsetShare           = 0.25 // pin offset over stroke
	minDamperMM, maxDamperMM = 20, 5000
	maxIndexLimitDeg         = 20 // beyond it the indicator stands on another cylinder
	maxTrimStepDeg           = 5
	maxCylinders             = 64
	maxNameRunes             = 200
)

// Validate checks the definition itself. Every problem carries the JSON
// pointer of the key it is about.
func (e Engine) Validate() Problems {
	var ps Problems
	e.checkName(&ps)
	e.checkSizes(&ps)
	oneOf(&ps, "/running_direction", e.RunningDirection, "clockwise", "anticlockwise")
	oneOf(&ps, "/turn_back", e.TurnBack, "allowed", "small", "forbidden")
	if e.CycleDeg != 720 && e.CycleDeg != 360 {
		ps.Add("/cycle_deg", "write 720 for a four-stroke, 360 for a two-stroke", "cycle_deg is %g", e.CycleDeg)
	}
	switch orders, tables := len(e.FiringOrder), len(e.Cylinder); {
	case orders > 0 && tables > 0:
		ps.Add("/cylinder", "keep firing_order for even firing, or the [[cylinder]] tables for any other crank", "both firing_order and [[cylinder]] say where the tops are")
	case orders > 0:
		e.checkFiringOrder(&ps)
	case tables > 0:
		e.checkCylinders(&ps)
	default:
		ps.Add("/firing_order", "add firing_order = [1, 3, 4, 2] for even firing, or one [[cylinder]] table each", "nothing says which cylinders there are")
	}
	e.checkReference(&ps)
	e.checkPins(&ps)
	inRange(&ps, "/index_limit_deg", e.IndexLimitDeg, 0, maxIndexLimitDeg, "°", "write the shop's limit, for example 0.5")
	inRange(&ps, "/trim_step_deg", e.TrimStepDeg, 0, maxTrimStepDeg, "°", "write the step the controller can be set to, for example 0.1")
	return ps
}

func (e Engine) checkName(ps *Problems) {
	switch {
	case strings.TrimSpace(e.Name) == "":
		ps.Add("/name", `add name = "…", it heads every table and report`, "the engine has no name")
	case utf8.RuneCountInString(e.Name) > maxNameRunes:
		ps.Add("/name", fmt.Sprintf("shorten it to %d letters", maxNameRunes), "the name is too long")
	case strings.ContainsFunc(e.Name, unicode.IsControl):
		ps.Add("/name", "write it on one line, without control characters", "the name holds a control character")
	}
}

func (e Engine) checkSizes(ps *Problems) {
	const mm = "write millimetres; 1 in = 25.4 mm"
	if e.StrokeMM == 0 {
		ps.Add("/stroke_mm", "add stroke_mm = …, the crank's stroke in millimetres", "stroke_mm is missing")
		return // everything else is measured against it
	}
	if !inRange(ps, "/stroke_mm", e.StrokeMM, minStrokeMM, maxStrokeMM, " mm", mm) {
		return
	}
	largest := e.checkOffset(ps, "/pin_offset_mm", e.PinOffsetMM)
	for i, c := range e.Cylinder {
		largest = max(largest, e.checkOffset(ps, pointer("cylinder", i, "pin_offset_mm"), c.PinOffsetMM))
	}
	if e.RodMM != nil {
		switch least := e.StrokeMM/2 + largest; {
		case !(*e.RodMM > least):
			ps.Add("/rod_mm", "give the length between the rod's centres, or leave rod_mm out: a ratio is then assumed", "with rod_mm = %g the crank cannot turn: half the stroke and the pin offset are %g mm together", *e.RodMM, least)
		case *e.RodMM > maxRodRatio*e.StrokeMM:
			ps.Add("/rod_mm", mm, "rod_mm = %g is more than %d strokes", *e.RodMM, maxRodRatio)
		}
	}
	if e.DamperDiameterMM != nil {
		inRange(ps, "/damper_diameter_mm", *e.DamperDiameterMM, minDamperMM, maxDamperMM, " mm", mm)
	}
}

// checkOffset returns the offset's size, 0 where it is absent or refused.
func (e Engine) checkOffset(ps *Problems, at string, mm *float64) float64 {
	if mm == nil {
		return 0
	}
	if limit := maxOffsetShare * e.StrokeMM; !(math.Abs(*mm) <= limit) {
		ps.Add(at, "write how far the pin's line of travel lies beside the crank's axis, in mm: seldom over 2", "pin_offset_mm = %g is more than a quarter of the stroke (%g mm)", *mm, limit)
		return 0
	}
	return math.Abs(*mm)
}

func (e Engine) checkFiringOrder(ps *Problems) {
	n := len(e.FiringOrder)
	if n > maxCylinders {
		ps.Add("/firing_order", "name each cylinder once", "firing_order has %d entries, more than %d", n, maxCylinders)
		return
	}
	seen := map[int]bool{}
	for i, number := range e.FiringOrder {
		at := pointer("firing_order", i)
		switch {
		case number < 1:
			ps.Add(at, "number the cylinders from 1", "firing_order names a cylinder %d", number)
		case seen[number]:
			ps.Add(at, "name each cylinder once", "firing_order names cylinder %d twice", number)
		}
		seen[number] = true
	}
	for number := 1; number <= n; number++ {
		if !seen[number] {
			ps.Add("/firing_order", fmt.Sprintf("name the cylinders 1 to %d, each once; for other numbers give [[cylinder]] tables", n), "firing_order has %d entries but cylinder %d is missing", n, number)
			return
		}
	}
}

func (e Engine) checkCylinders(ps *Problems) {
	if len(e.Cylinder) > maxCylinders {
		ps.Add("/cylinder", "give each cylinder once", "there are %d [[cylinder]] tables, more than %d", len(e.Cylinder), maxCylinders)
	}
	seen := map[int]bool{}
	for i, c := range e.Cylinder {
		switch {
		case c.Number < 1:
			ps.Add(pointer("cylinder", i, "number"), "add number = …, from 1", "a [[cylinder]] has no number, or one below 1")
		case seen[c.Number]:
			ps.Add(pointer("cylinder", i, "number"), "give each cylinder once", "cylinder %d stands twice", c.Number)
		}
		seen[c.Number] = true
		if !(c.TDCDeg >= 0 && c.TDCDeg < e.Cycle()) {
			ps.Add(pointer("cylinder", i, "tdc_deg"), fmt.Sprintf("write how far its top comes after the reference's: 0 up to, not including, %g", e.Cycle()), "tdc_deg = %g lies outside the cycle of %g°", c.TDCDeg, e.Cycle())
		}
	}
}

func (e Engine) checkReference(ps *Problems) {
	for i, c := range e.Cylinder {
		if c.Number == e.ReferenceCylinder && c.TDCDeg != 0 {
			ps.Add(pointer("cylinder", i, "tdc_deg"), "tops count from the reference's: give it tdc_deg = 0.0, or name another reference_cylinder", "cylinder %d is the reference, but its tdc_deg is %g", c.Number, c.TDCDeg)
		}
	}
	if numbers := e.numbers(); len(numbers) > 0 && !slices.Contains(numbers, e.ReferenceCylinder) {
		ps.Add("/reference_cylinder", fmt.Sprintf("name one of %s", strings.Trim(fmt.Sprint(numbers), "[]")), "the reference, cylinder %d, is not among the cylinders", e.ReferenceCylinder)
	}
}

// inRange refuses what lies outside, and a zero where the lower bound is 0.
func inRange(ps *Problems, at string, v, least, most float64, unit, fix string) bool {
	if v >= least && v <= most && v > 0 {
		return true
	}
	ps.Add(at, fix, "%s = %g is not believable; it must lie between %g and %g%s", at[1:], v, least, most, unit)
	return false
}

func oneOf(ps *Problems, at, got string, allowed ...string) {
	if !slices.Contains(allowed, got) {
		ps.Add(at, "write one of: "+strings.Join(allowed, ", "), "%s is %q", at[1:], got)
	}
}

func pointer(parts ...any) string {
	var b strings.Builder
	for _, p := range parts {
		fmt.Fprintf(&b, "/%v", p)
	}
	return b.String()
}
