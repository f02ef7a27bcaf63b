package crank

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

// Printed drops of an 88 mm stroke, rod 143.5 mm (the printed sizes state none): rounded figures,
// hence the tolerances. 84 mm, 5° = 0.2 mm is a workshop table's pair.
func TestDropAgainstPrintedSizes(t *testing.T) {
	g, err := New(88, 143.5, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ deg, mm, tol float64 }{{1, 0.0088, 1e-4}, {5, 0.22, 5e-3}, {12, 1.26, 1e-2}, {20, 3.5, 6e-2}} {
		y, _ := g.Rise(c.deg)
		near(t, "drop", -y, c.mm, c.tol)
	}
	_, slope := g.Rise(12)
	near(t, "slope at 12°", -slope, 0.21, 5e-3)
	_, slope = g.Rise(20)
	near(t, "slope at 20°", -slope, 0.34, 5e-3)
	short, _ := New(84, 140, 0)
	y, _ := short.Rise(-5)
	near(t, "84 mm at 5°", -y, 0.2, 0.01)
	near(t, "dwell of 0.01 mm", g.DwellDeg(0.01), 1.5, 0.02)
	near(t, "dwell of 0.001 mm", g.DwellDeg(0.001), 0.5, 0.03)
}

// Two banks with ±0.8 mm offset, 86 mm stroke, 143.5 mm rod: 0.49° between tops.
func TestOppositeOffsets(t *testing.T) {
	a, _ := New(86, 143.5, 0.8)
	b, _ := New(86, 143.5, -0.8)
	near(t, "between banks", a.TopDeg()-b.TopDeg(), 0.49, 0.005)
}

func TestSeriesMeetsExactWithinItsRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g, err := New(rapid.Float64Range(50, 110).Draw(t, "stroke"), 0, 0)
		if err == nil {
			t.Fatal("a rod of 0 was accepted")
		}
		g, err = New(2*g.R, 2*g.R*rapid.Float64Range(1.4, 2.2).Draw(t, "ratio"), rapid.Float64Range(-1.5, 1.5).Draw(t, "offset"))
		if err != nil {
			t.Fatal(err)
		}
		x := rapid.Float64Range(-15, 15).Draw(t, "x")
		d := x * rad
		a, b, c := g.Series()
		y, slope := g.Rise(x)
		// O(d⁵) and O(d⁶) terms at 15° stay under 1 µm for these cranks.
		if h := a*d*d/2 - b*d*d*d/6 - c*d*d*d*d/24; math.Abs(h+y) > 1e-3 {
			t.Fatalf("series %g, exact %g", h, -y)
		}
		const step = 1e-4
		up, _ := g.Rise(x + step)
		down, _ := g.Rise(x - step)
		if diff := (up - down) / (2 * step); math.Abs(diff-slope) > 1e-7 {
			t.Fatalf("slope %g, by difference %g", slope, diff)
		}
		if y > 1e-12 {
			t.Fatalf("higher than the top by %g mm at %g°", y, x)
		}
	})
}

// How the rise changes with rod and offset, against differences.
func TestRiseByRodAndOffset(t *testing.T) {
	const step = 1e-4
	for _, offset := range []float64{-1.5, 0, 3} {
		for _, x := range []float64{-25, -3, 0, 12} {
			at := func(rod, off float64) float64 {
				y, _ := Geometry{R: 43, L: 143.5 + rod, E: offset + off}.Rise(x)
				return y
			}
			c := Geometry{R: 43, L: 143.5, E: offset}.Curve()
			_, _, perRod, perOffset := c.At(x)
			near(t, "by rod", perRod, (at(step, 0)-at(-step, 0))/(2*step), 1e-8)
			near(t, "by offset", perOffset, (at(0, step)-at(0, -step))/(2*step), 1e-8)
		}
	}
}

func TestBottomAndStroke(t *testing.T) {
	g, _ := New(86, 143.5, -0.8)
	y, slope := g.Rise(g.BottomDeg() - g.TopDeg())
	near(t, "slope at the bottom", slope, 0, 1e-12)
	near(t, "stroke", -y, g.StrokeMM(), 1e-9)
}
