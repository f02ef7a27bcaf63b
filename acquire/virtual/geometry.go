// Package virtual is a bench that does not exist: a crank with known errors, a
// hand that turns it, an encoder and indicators with known faults. It is the
// answer sheet for everything that measures, and therefore shares no code with
// it: geometry, disturbances and wire bytes are made here a second time.
//
// One seed makes one bench. Simulate writes what its instruments said as rows;
// a Rig says the same over pseudo-terminals, as bytes, in real time.
//
// Units: mm, degrees of crank, seconds. Angles grow in running direction,
// heights as the piston rises.
package virtual

import "math"

// slider is a crank throw, a rod and a piston on a line of travel, as drawn on
// paper: crank centre at the origin, bore line upright at x = offsetMM.
type slider struct {
	crankMM, rodMM, offsetMM float64
}

// crankpin is where the crankpin's centre stands at deg from the bore's
// direction, in running direction.
func (s slider) crankpin(deg float64) (x, y float64) {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	return s.crankMM * sin, s.crankMM * cos
}

// heightMM is the wrist pin's height over the crank centre: the upper point
// where the rod's circle about the crankpin meets the line of travel. NaN when
// the rod is too short to reach the line.
func (s slider) heightMM(deg float64) float64 {
	px, py := s.crankpin(deg)
	// Points of the line are (offset, y): |(offset, y) − (px, py)|² = rod².
	// As a quadratic in y: y² + by + c = 0.
	b := -2 * py
	c := py*py + (s.offsetMM-px)*(s.offsetMM-px) - s.rodMM*s.rodMM
	return (-b + math.Sqrt(b*b-4*c)) / 2
}

// topDeg is where the piston is highest: crank centre, crankpin and wrist pin
// in one line. Found by bisection on the area of that triangle.
func (s slider) topDeg() float64 {
	area := func(deg float64) float64 {
		px, py := s.crankpin(deg)
		wy := s.heightMM(deg)
		return px*wy - py*s.offsetMM
	}
	lo, hi := -60.0, 60.0
	for range 80 {
		mid := (lo + hi) / 2
		if area(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// fold brings an angle into [0, 360).
func fold(deg float64) float64 {
	deg = math.Mod(deg, 360)
	if deg < 0 {
		deg += 360
	}
	if deg >= 360 {
		deg = 0
	}
	return deg
}

// foldHalf brings an angle into (−180, 180].
func foldHalf(deg float64) float64 {
	if deg = fold(deg); deg > 180 {
		return deg - 360
	}
	return deg
}
