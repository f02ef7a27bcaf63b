package virtual

import (
	"math"
	"testing"
)

// drop is how far a piston has fallen from its top, in mm.
func drop(s slider, deg float64) float64 { return s.heightMM(s.topDeg()) - s.heightMM(s.topDeg()+deg) }

// The expected drops are worked by hand from r(1−cos θ) + l − √(l² − r² sin² θ),
// to the digits shown; the tolerance is half the last digit.
func TestHeightAgainstHandNumbers(t *testing.T) {
	for _, tt := range []struct{ stroke, rod, deg, mm, tol float64 }{
		{84, 140, 5, 0.2077, 0.0001},  // 42·0.0038053 + 140·(1−√(1−0.0006836)) = 0.1598+0.0479
		{88, 144, 1, 0.0088, 0.0001},  // 8.8 µm
		{88, 144, 5, 0.22, 0.005},     //
		{88, 144, 12, 1.26, 0.01},     //
		{88, 144, 20, 3.442, 5e-4},    // 44·0.0603074 + 144 − √(20736 − 226.47) = 2.65352 + 0.78850
		{86, 143.5, 180, 86, 1e-9},    // the stroke
		{86, 143.5, 90, 49.594, 5e-4}, // 43 + 143.5 − √(143.5² − 43²) = 186.5 − 136.9060
	} {
		s := slider{crankMM: tt.stroke / 2, rodMM: tt.rod}
		if got := drop(s, tt.deg); math.Abs(got-tt.mm) > tt.tol {
			t.Errorf("stroke %g rod %g: %g° past the top the drop is %.5f mm, want %g ± %g", tt.stroke, tt.rod, tt.deg, got, tt.mm, tt.tol)
		}
	}
}

// Closed form of an offset slider-crank: tops at asin(e/(l+r)).
func TestTopAgainstClosedForm(t *testing.T) {
	for _, e := range []float64{0, 0.8, -0.8, 5, -12} {
		s := slider{crankMM: 43, rodMM: 143.5, offsetMM: e}
		want := math.Asin(e/(143.5+43)) * 180 / math.Pi
		if got := s.topDeg(); math.Abs(got-want) > 1e-10 {
			t.Errorf("offset %g: top at %.12f°, want %.12f°", e, got, want)
		}
		top := math.Sqrt((143.5+43)*(143.5+43) - e*e)
		if got := s.heightMM(s.topDeg()); math.Abs(got-top) > 1e-9 {
			t.Errorf("offset %g: top height %.9f mm, want %.9f mm", e, got, top)
		}
		for _, d := range []float64{-0.01, 0.01} {
			if drop(s, d) <= 0 {
				t.Errorf("offset %g: not highest at its top", e)
			}
		}
	}
}

// A true vee crank with opposite offsets shows 0.49° between its banks.
func TestOffsetsMoveTopsOnATrueCrank(t *testing.T) {
	e := four()
	e.Cylinders[0].PinOffsetMM, e.Cylinders[1].PinOffsetMM = -0.8, 0.8
	truth := Draw(e, 1, Quiet())
	got := truth.Cylinders[1]
	if got.ThrowErrorDeg != 0 || math.Abs(got.IndexErrorDeg-0.4915) > 0.0005 {
		t.Errorf("throw %g°, index %.4f°; want 0 and 2·asin(0.8/186.5) = 0.4915°", got.ThrowErrorDeg, got.IndexErrorDeg)
	}
}

func TestFold(t *testing.T) {
	for _, tt := range []struct{ in, full, half float64 }{
		{0, 0, 0}, {-90, 270, -90}, {540, 180, 180}, {359, 359, -1}, {-1e-15, 0, 0},
	} {
		if fold(tt.in) != tt.full || math.Abs(foldHalf(tt.in)-tt.half) > 1e-12 {
			t.Errorf("%g: folded to %g and %g, want %g and %g", tt.in, fold(tt.in), foldHalf(tt.in), tt.full, tt.half)
		}
	}
}

// four is an invented four-cylinder engine.
func four() Engine {
	return Engine{Name: "Practice four", StrokeMM: 86, RodMM: 143.5, CycleDeg: 720, Reference: 1, Cylinders: []Cylinder{
		{1, 0, -0.8}, {3, 180, -0.8}, {4, 360, -0.8}, {2, 540, -0.8}}}
}
