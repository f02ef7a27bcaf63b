package engine

import (
	"cmp"
	"math"
	"slices"
)

// What holds where the engine file says nothing.
const (
	defaultCycleDeg      = 720.0
	defaultIndexLimitDeg = 0.5
	defaultTrimStepDeg   = 0.1
)

// Ratio of rod to stroke that is assumed where the engine file gives no
// rod_mm: production engines lie between 1.35 and 1.95, taken as rectangular.
const (
	assumedRodRatio     = 1.65
	assumedRodHalfWidth = 0.30
)

// Tops returns every cylinder's nominal top, sorted by cylinder number. The
// reference's NominalDeg is 0. With a firing order the i-th cylinder after the
// reference has its top i·cycle/n later; with [[cylinder]] tables it is as
// given. The engine must be valid.
func (e Engine) Tops() []Top {
	var tops []Top
	n, ref := len(e.FiringOrder), slices.Index(e.FiringOrder, e.Reference())
	for i, number := range e.FiringOrder {
		after := (i - ref + n) % n
		tops = append(tops, e.top(number, float64(after)*e.Cycle()/float64(n), nil))
	}
	for _, c := range e.Cylinder {
		tops = append(tops, e.top(c.Number, c.TDCDeg, c.PinOffsetMM))
	}
	slices.SortFunc(tops, func(a, b Top) int { return cmp.Compare(a.Number, b.Number) })
	return tops
}

func (e Engine) top(number int, nominal float64, own *float64) Top {
	t := Top{Number: number, NominalDeg: nominal}
	if own == nil {
		own = e.PinOffsetMM
	}
	if own != nil {
		t.PinOffsetMM, t.OffsetKnown = *own, true
	}
	return t
}

// Top returns cylinder n's nominal top, and whether the engine has such a cylinder.
func (e Engine) Top(n int) (Top, bool) {
	for _, t := range e.Tops() {
		if t.Number == n {
			return t, true
		}
	}
	return Top{}, false
}

// Cycle is the working cycle in degrees of crank: 720 where nothing else was said.
func (e Engine) Cycle() float64 { return cmp.Or(e.CycleDeg, defaultCycleDeg) }

// Reference is the reference cylinder's number: the first of the firing order,
// or 1, where nothing else was said.
func (e Engine) Reference() int {
	switch {
	case e.ReferenceCylinder != 0:
		return e.ReferenceCylinder
	case len(e.FiringOrder) > 0:
		return e.FiringOrder[0]
	}
	return 1
}

// RodOrAssumed returns the rod's length between centres in mm, and its
// standard uncertainty in mm: 0 where the file gives rod_mm, otherwise that of
// the assumed ratio (1.65 strokes, give or take 0.30, rectangular: a/√3).
func (e Engine) RodOrAssumed() (rodMM, uMM float64) {
	if e.RodMM != nil {
		return *e.RodMM, 0
	}
	return assumedRodRatio * e.StrokeMM, assumedRodHalfWidth / math.Sqrt(3) * e.StrokeMM
}
