package fit

import (
	"math"
	"testing"
)

// An indicator of 95 mm shows 2 % too much. Corrected, it shows the crank's own
// stroke. Its points are known to ± 10 µm: if they all err one way, growing from
// one end to the other, that is 2 · 10 µm over 95 mm, 18 µm over this stroke, more
// than the √2 · 10 µm of two that err each on its own.
func TestStrokeOfACalibratedIndicator(t *testing.T) {
	travel := math.Sqrt((143.5+43)*(143.5+43)-0.64) - math.Sqrt((143.5-43)*(143.5-43)-0.64)
	s := newSynth()
	in := s.input(scaled(1.02, append(s.both(1, 1, 1), s.sweep(1, 1, 1, 140, 215, 6))...))
	rest, c := -90.0, &Correction{}
	for at := 0.0; at <= 95; at += 5 {
		c.ReadingMM, c.CorrectionMM, c.U95MM = append(c.ReadingMM, 1.02*at), append(c.CorrectionMM, -0.02*at), append(c.U95MM, 0.01)
	}
	sure := *c
	sure.U95MM = nil
	seen := func(c *Correction) Cylinder {
		for i := range in.Sweeps {
			in.Sweeps[i].Correction, in.Sweeps[i].RestMM = c, &rest
		}
		return cylinderOf(solve(t, in), 1)
	}
	x, y := seen(c), seen(&sure)
	near(t, "stroke", x.StrokeSeenMM, travel, 0.04) // the play put in
	near(t, "ratio", x.StrokeSeenRatio, 1, 0.0005)
	part := math.Sqrt(*x.StrokeSeenU95MM**x.StrokeSeenU95MM - *y.StrokeSeenU95MM**y.StrokeSeenU95MM)
	near(t, "the calibration's part of its doubt", &part, 0.018, 0.002)
}
