package calibrate

import (
	"fmt"
	"math"
)

// DefaultLocalSpanMM is the span of the local error where nobody chose one.
const DefaultLocalSpanMM = 1.0

// mostMM is longer than any indicator or head, in mm.
const mostMM = 10_000

// permissible are maximum permissible errors in µm, JIS B 7503:2011, dials of
// 50 mm and more. revolution is the error within one turn of the pointer.
type permissible struct {
	graduationMM, toMM                          float64
	retrace, repeatability, revolution, overall float64
}

// table is JIS B 7503:2011's for dials of 50 mm and more, finest graduation
// last, ranges ascending.
func table() []permissible {
	return []permissible{
		{0.01, 1, 3, 3, 8, 8}, {0.01, 3, 3, 3, 9, 10}, {0.01, 5, 3, 3, 9, 12}, {0.01, 10, 3, 3, 10, 15},
		{0.01, 20, 5, 4, 15, 25}, {0.01, 30, 7, 5, 15, 30}, {0.01, 50, 8, 5, 15, 40}, {0.01, 100, 9, 5, 20, 50},
		{0.005, 5, 3, 3, 10, 12},
		{0.001, 1, 2, 0.5, 4, 5}, {0.001, 2, 2, 0.5, 5, 7}, {0.001, 5, 3, 1, 6, 10},
	}
}

// DefaultLimits are limits in mm to begin with, by characteristic, for an
// indicator of this display step and range: the maximum permissible errors of
// JIS B 7503:2011. They are the shop's to replace, never a law. Local is given
// only where one turn of the pointer is one millimetre. nil where the table
// says nothing (a range beyond it).
func DefaultLimits(resolutionMM, rangeMM float64) map[string]float64 {
	for _, p := range table() {
		if math.Abs(p.graduationMM-graduation(resolutionMM)) > 1e-9 || rangeMM > p.toMM+1e-9 {
			continue
		}
		limits := map[string]float64{Total: p.overall / 1000, Hysteresis: p.retrace / 1000, Repeatability: p.repeatability / 1000}
		if p.graduationMM == 0.01 {
			limits[Local] = p.revolution / 1000
		}
		return limits
	}
	return nil
}

// graduation is the table's column for a display step: the coarser one where
// it lies between two.
func graduation(resolutionMM float64) float64 {
	switch {
	case resolutionMM > 0.0051:
		return 0.01
	case resolutionMM > 0.0011:
		return 0.005
	default:
		return 0.001
	}
}

// U95At is the expanded uncertainty of the reference over a length in mm.
func (r Reference) U95At(lengthMM float64) float64 {
	return math.Hypot(r.U95MM, r.PerM*lengthMM/1000)
}

// finer is how many times better than a limit its reference should be.
const finer = 4

// TooCoarse says in words which limits a reference cannot judge well over a
// range: it should be four times better than the limit. A reference nobody
// stated is judged by nobody.
func TooCoarse(r Reference, rangeMM float64, limits map[string]float64) []string {
	if !r.Stated {
		return nil
	}
	var out []string
	for _, name := range CharacteristicNames() {
		limit, ok := limits[name]
		length := rangeMM
		if name == Local {
			length = math.Min(length, DefaultLocalSpanMM)
		}
		if u := r.U95At(length); ok && name != Repeatability && name != Hysteresis && u > limit/finer+1e-12 {
			out = append(out, fmt.Sprintf("the reference is too coarse for the limit of %s: ±%.2g µm against %.2g µm, and it should be %d times better; judge by a better reference, or take a wider limit",
				nameOf(name), u*1000, limit*1000, finer))
		}
	}
	return out
}

// CharacteristicNames are those that can be limited, in the order they are told.
func CharacteristicNames() []string {
	return []string{Total, Local, Hysteresis, Repeatability, Linearity}
}

// nameOf is a characteristic in words.
func nameOf(characteristic string) string {
	switch characteristic {
	case Total:
		return "the error over the whole range"
	case Local:
		return "the error over a short span"
	case Linearity:
		return "the deviation from a straight line"
	}
	return characteristic
}
