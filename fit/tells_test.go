package fit

import (
	"math"
	"slices"
	"testing"

	"crownmark/fit/crank"
)

// pinHeight is a slider-crank by hand: the pin's height over the crank's centre
// at crankpin angle deg.
func pinHeight(r, l, e, deg float64) float64 {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	return r*cos + math.Sqrt(l*l-(r*sin-e)*(r*sin-e))
}

// Oracle: pinHeight searched for the two heights, from the top it has itself.
func TestDurationAgainstASearch(t *testing.T) {
	for _, c := range []struct{ stroke, rod, offset, drop float64 }{{86, 143.5, -0.8, 0.5}, {86, 143.5, 0.8, 5}, {110, 150, 3, 60}, {48, 90, 0, 1}} {
		g, err := crank.New(c.stroke, c.rod, c.offset)
		if err != nil {
			t.Fatal(err)
		}
		r := c.stroke / 2
		top := math.Asin(c.offset/(c.rod+r)) * 180 / math.Pi
		want := pinHeight(r, c.rod, c.offset, top) - c.drop
		search := func(way float64) float64 {
			const step = 1e-4
			at := 0.0
			for pinHeight(r, c.rod, c.offset, top+way*at) > want {
				at += step
			}
			return at - step/2
		}
		got, ok := DurationDeg(g, c.drop)
		if sum := search(1) + search(-1); !ok || math.Abs(got-sum) > 1.1e-4 { // two search steps of half an error each
			t.Errorf("%+v: got %g, want %g", c, got, sum)
		}
	}
	g, _ := crank.New(86, 143.5, 0)
	if _, ok := DurationDeg(g, 86); ok {
		t.Error("a drop of the whole stroke has no duration")
	}
}

// scaled is a sweep whose indicator stretches heights by k.
func scaled(k float64, sweeps ...Sweep) []Sweep {
	for _, w := range sweeps {
		for i := range w.Height.V {
			w.Height.V[i] *= k
		}
	}
	return sweeps
}

// Oracle: the stroke by √((l+r)²−e²) − √((l−r)²−e²), times the stretch put in;
// tilt by 1/cos. Tolerance: the play put in, 0.03 mm, some of which the
// indicator sees as travel.
func TestStrokeSeenAndTilt(t *testing.T) {
	const k = 1.06
	travel := math.Sqrt((143.5+43)*(143.5+43)-0.64) - math.Sqrt((143.5-43)*(143.5-43)-0.64)
	s := newSynth()
	own := append(s.both(1, 1, 1), s.sweep(1, 1, 1, 140, 215, 6))
	through := []Sweep{s.sweep(3, 1, 2, -28, 230, 12), s.sweep(3, 1, 2, 28, -28, 6)}
	other := append(s.both(4, 1, 3), s.sweep(4, 1, 9, 140, 215, 6)) // zeroed anew between
	ix := solve(t, s.input(scaled(k, own...), scaled(k, through...), other))
	for _, n := range []int{1, 3} {
		c := cylinderOf(ix, n)
		if slices.Contains(c.Flags, FlagUpsideDown) {
			t.Errorf("cylinder %d: a bottom that was used is called upside down", n)
		}
		near(t, "stroke seen", c.StrokeSeenMM, k*travel, 0.04)
		near(t, "ratio", c.StrokeSeenRatio, k, 0.0005)
		near(t, "tilt", c.TiltDeg, math.Acos(1/k)*180/math.Pi, 1)
		if c.StrokeSeenMM != nil && math.Abs(*c.StrokeSeenMM-k*travel) > *c.StrokeSeenU95MM {
			t.Errorf("cylinder %d: %s covers not %.4f", n, WithDoubt(c.StrokeSeenMM, c.StrokeSeenU95MM), k*travel)
		}
	}
	c := cylinderOf(ix, 4)
	if !slices.Contains(c.Flags, FlagUpsideDown) {
		t.Error("a bottom that no top belongs to is not told")
	}
	if c.StrokeSeenMM != nil || c.StrokeSeenRatio != nil || c.TiltDeg != nil {
		t.Errorf("another zeroing makes no stroke, an upright probe no tilt: %v %v %v", c.StrokeSeenMM, c.StrokeSeenRatio, c.TiltDeg)
	}
	if len(c.Durations) != 4 || c.Durations[1].DropMM != 1 {
		t.Fatalf("durations %v", c.Durations)
	}
	// By hand: ρ = 186.4983 − 1 and its triangle, e left out (it moves this by 0.001°).
	cos := (43*43 + 185.5*185.5 - 143.5*143.5) / (2 * 43 * 185.5)
	if d := c.Durations[1]; math.Abs(d.Deg-2*math.Acos(cos)*180/math.Pi) > 0.005 || !(d.U95Deg > 0 && d.U95Deg < 0.05) {
		t.Errorf("1 mm below the top: %.4f ± %.4f", d.Deg, d.U95Deg)
	}
}

// A piston that hangs by its play all the way down and is pushed back up: at
// the bottom it stands until the rod has risen by the play. The doubt must
// cover the stroke, whichever way it was turned. Oracle: as above.
func TestStrokeDoubtCoversPlay(t *testing.T) {
	travel := math.Sqrt((143.5+43)*(143.5+43)-0.64) - math.Sqrt((143.5-43)*(143.5-43)-0.64)
	for _, play := range []float64{0.01, 0.03, 0.08} {
		for _, way := range []float64{1, -1} {
			s := newSynth()
			s.playMM = play
			tops := s.both(1, 1, 1)
			s.playMM = 0
			low := s.sweep(1, 1, 1, 180-40*way, 180+35*way, 6)
			bottom := 0.118 - travel
			hung := false
			for i, y := range low.Height.V {
				if y < bottom+0.0005 {
					hung = true
				}
				if low.Height.V[i] = y + play; hung {
					low.Height.V[i] = math.Max(y, bottom+play)
				}
			}
			c := cylinderOf(solve(t, s.input(tops, []Sweep{low})), 1)
			if c.StrokeSeenMM == nil || math.Abs(*c.StrokeSeenMM-travel) > *c.StrokeSeenU95MM {
				t.Errorf("play %g mm, way %g: %s, want %.4f", play, way, WithDoubt(c.StrokeSeenMM, c.StrokeSeenU95MM), travel)
			}
		}
	}
}

// A plunger that rests on its stop is flat; a spike is no bottom.
func TestNoStrokeWhereThePlungerRests(t *testing.T) {
	s := newSynth()
	low := s.sweep(1, 1, 1, 120, 240, 8)
	for i, y := range low.Height.V {
		low.Height.V[i] = math.Max(y, -84)
	}
	if c := cylinderOf(solve(t, s.input(s.both(1, 1, 1), []Sweep{low})), 1); c.StrokeSeenMM != nil {
		t.Errorf("a resting plunger makes a stroke of %g", *c.StrokeSeenMM)
	}
	good := s.sweep(1, 1, 1, 140, 220, 8)
	good.Height.V[40] = -300
	c := cylinderOf(solve(t, s.input(s.both(1, 1, 1), []Sweep{good})), 1)
	near(t, "stroke with a spike", c.StrokeSeenMM, 86.003, 0.04)
}

// A bottom that lies where this crank has none is another cylinder's.
func TestNoStrokeFromAnotherCylindersBottom(t *testing.T) {
	s := newSynth()
	stray := s.sweep(2, 1, 1, 140, 220, 8) // nominal 540: its bottom is at cylinder 1's top
	stray.Cylinder = 1
	if c := cylinderOf(solve(t, s.input(s.both(1, 1, 1), []Sweep{stray})), 1); c.StrokeSeenMM != nil {
		t.Errorf("stroke of %g", *c.StrokeSeenMM)
	}
}

// Tilt of a flat crown: 1/cos; nothing within the doubt, nothing under 1.
func TestTilt(t *testing.T) {
	near(t, "20°", tiltDeg(1/math.Cos(20*math.Pi/180), 0.001), 20, 1e-9)
	for _, k := range []float64{0.95, 1, 1.004} {
		if got := tiltDeg(k, 0.005); got != nil {
			t.Errorf("scale %g gives %g°", k, *got)
		}
	}
}

// By hand, trim −1.498 ± 0.009: the nearest whole steps.
func TestLeftByStep(t *testing.T) {
	s := newSynth()
	ix := solve(t, s.input(s.both(1, 1, 1), s.both(3, 1, 2), s.both(4, 1, 3)))
	c := cylinderOf(ix, 3)
	for i, want := range []StepLeft{{0.1, -1.5, 0.002}, {0.25, -1.5, 0.002}, {0.5, -1.5, 0.002}, {1, -1, -0.498}} {
		got := c.LeftByStep[i]
		if got.StepDeg != want.StepDeg || math.Abs(got.SetDeg-want.SetDeg) > 1e-12 || math.Abs(got.LeftDeg-want.LeftDeg) > 0.006 {
			t.Errorf("got %+v, want %+v", got, want)
		}
	}
	if small := cylinderOf(ix, 4).LeftByStep; small[1].SetDeg != 0 { // 0.05° is under half of 0.25°
		t.Errorf("set %+v", small[1])
	}
	if ref := cylinderOf(ix, 1).LeftByStep; len(ref) != 0 {
		t.Errorf("the reference has no trim to round: %v", ref)
	}
	if off := cylinderOf(ix, 2).LeftByStep; off == nil || len(off) != 0 {
		t.Errorf("no trim: an empty list, got %v", off)
	}
}

// A mark written −10 that comes under the pointer 0.8° too early stands there
// when the crank is really 10.8° before the top: a light at it shows 10.
func TestMarksAtTheTimingLight(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1))
	for range 3 {
		in.Marks = append(in.Marks,
			Mark{MarkDeg: -10, AngleDeg: s.offset - 10.8 - s.lash/2, Mount: 1, Approach: 1},
			Mark{MarkDeg: 2, AngleDeg: s.offset + 1.5 - s.lash/2, Mount: 1, Approach: 1})
	}
	ix := solve(t, in)
	near(t, "true angle of the −10 mark", ix.Marks[0].TrueDeg, -10.8, 0.02)
	near(t, "true angle of the 2 mark", ix.Marks[1].TrueDeg, 1.5, 0.02)
	if len(ix.TimingLight) != 6 {
		t.Fatalf("table %v", ix.TimingLight)
	}
	r := ix.TimingLight[2]
	if r.ShowsDeg != 10 || r.MarkDeg != 2 || math.Abs(r.RealDeg-10.5) > 0.02 || r.U95Deg != *ix.Marks[1].U95Deg {
		t.Errorf("by the mark nearest 0: %+v", r)
	}
	in.Marks = in.Marks[:1]
	if r := solve(t, in).TimingLight[2]; r.MarkDeg != -10 || math.Abs(r.RealDeg-10.8) > 0.02 {
		t.Errorf("light at 10: %+v", r)
	}
	in.Marks[0].AngleDeg += 40 // another mark
	if got := solve(t, in).TimingLight; got == nil || len(got) != 0 {
		t.Errorf("a mark 40° off makes a table: %v", got)
	}
}
