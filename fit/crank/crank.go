// Package crank is the kinematics of a slider-crank whose pin may be offset
// from the crank's axis. Lengths in mm, angles in degrees of crank in running
// direction.
package crank

import (
	"fmt"
	"math"
)

const rad = math.Pi / 180

// Geometry is one cylinder's slider-crank.
type Geometry struct {
	R float64 // crank radius, half the nominal stroke, mm
	L float64 // rod length between centres, mm
	E float64 // offset of the pin's line of travel, mm; + toward the side the crankpin moves to just after the top
}

// New returns the geometry of a stroke (mm), rod (mm) and offset (mm), or an
// error where such a crank could not turn: the rod must be longer than the
// radius and the offset together.
func New(strokeMM, rodMM, offsetMM float64) (Geometry, error) {
	g := Geometry{R: strokeMM / 2, L: rodMM, E: offsetMM}
	if !(strokeMM > 0) || !(g.L > g.R+math.Abs(g.E)) || math.IsInf(g.L, 0) {
		return g, fmt.Errorf("stroke %g mm, rod %g mm, pin offset %g mm: the crank cannot turn; the rod must be longer than half the stroke and the offset together", strokeMM, rodMM, offsetMM)
	}
	return g, nil
}

// TopDeg is the crankpin's angle from the bore direction at which the piston
// is highest: asin(e/(l+r)).
func (g Geometry) TopDeg() float64 { return math.Asin(g.E/(g.L+g.R)) / rad }

// BottomDeg is the crankpin's angle at which the piston is lowest:
// 180° + asin(e/(l−r)).
func (g Geometry) BottomDeg() float64 { return 180 + math.Asin(g.E/(g.L-g.R))/rad }

// StrokeMM is the piston's real travel, a little more than 2r with an offset.
func (g Geometry) StrokeMM() float64 {
	return math.Sqrt((g.L+g.R)*(g.L+g.R)-g.E*g.E) - math.Sqrt((g.L-g.R)*(g.L-g.R)-g.E*g.E)
}

// Rise is the piston's height relative to its top (≤ 0) at xDeg degrees of
// crank after the top, and its slope in mm per degree:
//
//	y(θ) = r cos θ + √(l² − (r sin θ − e)²),  S(x) = y(θ_top + x) − y_top
func (g Geometry) Rise(xDeg float64) (mm, perDeg float64) {
	c := g.Curve()
	mm, perDeg, _, _ = c.At(xDeg)
	return mm, perDeg
}

// Curve is a Geometry made ready for many calls of At.
type Curve struct {
	r, l, e, top, yTop      float64
	topByRod, topByOffset   float64 // how the top's angle (rad) moves with l and e, per mm
	yTopByRod, yTopByOffset float64
}

// Curve prepares the rise about the top.
func (g Geometry) Curve() Curve {
	far := g.L + g.R
	s := g.E / far
	cos := math.Sqrt(1 - s*s)
	y := math.Sqrt(far*far - g.E*g.E)
	return Curve{r: g.R, l: g.L, e: g.E, top: math.Asin(s), yTop: y,
		topByRod: -s / (far * cos), topByOffset: 1 / (far * cos), yTopByRod: far / y, yTopByOffset: -g.E / y}
}

// At is Rise with its derivatives: by the crank angle (mm per degree), by the
// rod's length and by the offset (mm per mm), the top kept at xDeg = 0.
func (c *Curve) At(xDeg float64) (mm, perDeg, perRod, perOffset float64) {
	sin, cos := math.Sincos(c.top + xDeg*rad)
	side := c.r*sin - c.e
	rod := math.Sqrt(c.l*c.l - side*side)
	perRad := -c.r*sin - side*c.r*cos/rod
	return c.r*cos + rod - c.yTop, perRad * rad,
		perRad*c.topByRod + c.l/rod - c.yTopByRod, perRad*c.topByOffset + side/rod - c.yTopByOffset
}

// Series returns the coefficients of the drop about the top, d in radians:
//
//	h(d) = A d²/2 − B d³/6 − C d⁴/24 + O(d⁵)
//
// good to 0.5 µm within ±20° for an 88 mm stroke.
func (g Geometry) Series() (a, b, c float64) {
	r, l := g.R, g.L
	s := g.E / (l + r)
	cos2 := 1 - s*s
	cos := math.Sqrt(cos2)
	a = r * (l + r) / (cos * l)
	b = 3 * r * r * s * (l + r) / (cos2 * l * l)
	c = r * (cos2*(l*l*l+7*l*l*r+18*l*r*r+12*r*r*r) - 3*l*l*r - 18*l*r*r - 15*r*r*r) / (cos2 * cos * l * l * l)
	return a, b, c
}

// DwellDeg is the width about the top, in degrees, over which a display of
// that resolution (mm) cannot change: the drop stays under half a step.
func (g Geometry) DwellDeg(resolutionMM float64) float64 {
	a, _, _ := g.Series()
	return 2 * math.Sqrt(resolutionMM/a) / rad
}
