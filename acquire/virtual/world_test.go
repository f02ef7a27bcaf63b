package virtual

import (
	"math"
	"testing"
)

func TestLashHoldsTheEncoderAfterAReversal(t *testing.T) {
	c := crank{lashDeg: 0.3, direction: 1}
	c.move(5)
	if got := c.encoderDeg; math.Abs(got-4.85) > 1e-12 {
		t.Fatalf("forward the encoder stands at %g°, want half the lash behind: 4.85°", got)
	}
	c.move(-0.2)
	if got := c.encoderDeg; math.Abs(got-4.85) > 1e-12 {
		t.Errorf("within the lash the encoder moved to %g°", got)
	}
	c.move(-1)
	if got := c.encoderDeg; math.Abs(got-3.95) > 1e-12 {
		t.Errorf("backward the encoder stands at %g°, want half the lash ahead of 3.8°", got)
	}
}

func TestPlayHangsUntilTheRodHasDropped(t *testing.T) {
	s := slider{crankMM: 43, rodMM: 143.5}
	c := crank{angleDeg: -20, direction: 1}
	var p probe
	p.place(&c, Setup{Scale: 1, PlayMM: 0.06}, s, 0, 0)
	to := func(deg float64) float64 {
		for math.Abs(deg-c.angleDeg) > 1e-9 {
			c.move(min(max(deg-c.angleDeg, -0.01), 0.01))
			p.follow(&c)
		}
		return p.hangMM
	}
	if got, rod := to(-5), -drop(s, 5); math.Abs(got-rod) > 1e-9 {
		t.Errorf("rising the piston is at %g mm, want on the rod at %g mm", got, rod)
	}
	// 0.06 mm of drop is reached 2.6° past the top.
	if got := to(2.5); math.Abs(got) > 1e-4 {
		t.Errorf("2.5° past the top it hangs at %g mm, want 0", got)
	}
	if got, want := to(10), 0.06-drop(s, 10); math.Abs(got-want) > 1e-9 {
		t.Errorf("falling it is at %g mm, want 0.06 mm over the rod: %g mm", got, want)
	}
	hung := p.hangMM
	if got := to(9.9); got != hung {
		t.Errorf("turned back within the play it moved from %g to %g mm", hung, got)
	}
	if got, want := to(5), -drop(s, 5); math.Abs(got-want) > 1e-9 {
		t.Errorf("pushed up again it is at %g mm, want on the rod at %g mm", got, want)
	}
}

func TestTiltFlipsWithTheDirection(t *testing.T) {
	c := crank{angleDeg: -20, direction: 1}
	var p probe
	p.place(&c, Setup{Scale: 1, TiltWidthDeg: 1}, slider{crankMM: 43, rodMM: 143.5}, 0, 0)
	at := func(deg float64) float64 {
		for math.Abs(deg-c.angleDeg) > 1e-9 {
			c.move(min(max(deg-c.angleDeg, -0.01), 0.01))
			p.follow(&c)
		}
		return p.tilt
	}
	for _, tt := range []struct{ deg, want float64 }{{-10, -1}, {0, 0}, {10, 1}, {9, -1}, {0, 0}, {-10, 1}, {-9, -1}} {
		if got := at(tt.deg); math.Abs(got-tt.want) > 0.011 {
			t.Errorf("at %g° tilt is %.3f, want %g", tt.deg, got, tt.want)
		}
	}
}

func TestProbeRestsOnItsStop(t *testing.T) {
	c := crank{angleDeg: -30, direction: 1}
	p := probe{travel: 5}
	p.place(&c, Setup{Scale: 1, ZeroMM: 0.1}, slider{crankMM: 43, rodMM: 143.5}, 0, 0)
	if mm, contact := p.displayMM(&c, 0); contact || mm != 0.1-5 {
		t.Errorf("7 mm below the top with 5 mm of travel: %g mm, contact %v; want −4.9 mm and none", mm, contact)
	}
}

func TestDisplayText(t *testing.T) {
	for _, tt := range []struct {
		mm   float64
		unit string
		step float64
		want string
	}{
		{12.345, "mm", 0.001, "+0012.345"}, {-12.3454, "mm", 0.001, "-0012.345"}, {-0.0004, "mm", 0.001, "+0000.000"},
		{0.0031, "mm", 0.002, "+0000.004"}, {-7.126, "mm", 0.01, "-0007.130"}, {25.4, "in", 0.0005, "+0001.0000"},
		{-0.0127 * 3, "in", 0.0005, "-0000.0015"}, {0.00012, "mm", 0.00001, "+0000.00012"},
	} {
		if got := displayText(tt.mm, tt.unit, tt.step); got != tt.want {
			t.Errorf("%g mm on a %g %s display: %q, want %q", tt.mm, tt.step, tt.unit, got, tt.want)
		}
	}
	if got := readText("+0001.0000", "in"); got != 25.4 {
		t.Errorf("one inch read as %g mm", got)
	}
}

func TestCorruptStaysALineAndChangesIt(t *testing.T) {
	r := stream(1, "test")
	for range 500 {
		const text = "+0012.345"
		if got := corrupt(r, text); got == text || math.IsNaN(readText(got, "mm")) {
			t.Fatalf("%q became %q", text, got)
		}
	}
}
