package virtual

import (
	"math"
	"testing"
)

// Worked by hand: 2 % at 4 mm is 0.080, a bump of 0.010 over 2 mm in the
// middle at 4 mm, at 4.5 mm half of it (cos² 45°), the curve straight between
// its points and constant beyond.
func TestErrorsOfAnIndicatorAddUp(t *testing.T) {
	f := IndicatorFaults{ScaleError: 0.02, Bumps: []Bump{{AtMM: 4, WidthMM: 2, HeightMM: 0.010}},
		ErrorCurve: []CurvePoint{{1, 0.001}, {3, 0.003}, {5, -0.001}}}
	for at, want := range map[float64]float64{0: 0.001, 2: 0.042, 4: 0.091, 4.5: 0.095, 5: 0.099, 9: 0.179} {
		if got := f.ErrorMM(at); math.Abs(got-want) > 1e-12 {
			t.Errorf("at %g mm the error is %.6f, want %.6f", at, got, want)
		}
	}
}

// Moving out shows the hysteresis more than moving in, and within it a plunger
// that turns back moves nothing.
func TestHysteresisIsPlay(t *testing.T) {
	p := Plunger{Faults: IndicatorFaults{HysteresisMM: 0.004}}
	for i, step := range []struct{ to, shown float64 }{{3, 2.998}, {2.998, 2.998}, {2.996, 2.998}, {2, 2.002}, {3, 2.998}, {0, 0.002}} {
		if got := p.MoveTo(step.to); math.Abs(got-step.shown) > 1e-12 {
			t.Errorf("step %d: at %g mm it shows %.6f, want %.6f", i, step.to, got, step.shown)
		}
	}
}

// The same bench with a bad indicator shows what the good one showed plus the
// error at that place, less the error on the top, where it was zeroed.
func TestFaultyIndicatorOnTheBench(t *testing.T) {
	t.Parallel()
	good := Draw(four(), 9, Quiet())
	bad := good
	bad.Indicators = []Indicator{good.Indicators[0]}
	f := IndicatorFaults{ScaleError: 0.02, Bumps: []Bump{{AtMM: 10, WidthMM: 1, HeightMM: 0.010}}, HysteresisMM: 0.006}
	bad.Indicators[0].IndicatorFaults = f
	was, is := rows(t, good, DefaultPlan()), rows(t, bad, DefaultPlan())
	top := good.Indicators[0].TravelMM - f.HysteresisMM/2
	all, seenIn, seenOut := 0, 0, 0
	for i := range was {
		if was[i].HeightMM == nil {
			continue
		}
		place := good.Indicators[0].TravelMM + *was[i].HeightMM
		shown := func(half float64) float64 { return place + half + f.ErrorMM(place+half) - top - f.ErrorMM(top) }
		in, out, got := shown(-0.003), shown(0.003), *is[i].HeightMM
		if got < in-0.00002 || got > out+0.00002 { // between them after turning back
			t.Fatalf("row %d: %.5f became %.5f, want %.5f moving in, %.5f moving out", i, *was[i].HeightMM, got, in, out)
		}
		if got < in+0.00002 {
			seenIn++
		} else if got > out-0.00002 {
			seenOut++
		}
		all++
	}
	if seenIn < 400 || seenOut < 400 || seenIn+seenOut < all*9/10 {
		t.Errorf("of %d readings %d moving in and %d moving out, want nearly all, and plenty of both", all, seenIn, seenOut)
	}
}

func TestImpossibleFaultsAreRefused(t *testing.T) {
	for _, f := range []IndicatorFaults{{ScaleError: 1}, {ScaleError: math.NaN()}, {HysteresisMM: -1}, {Bumps: []Bump{{}}},
		{ErrorCurve: []CurvePoint{{1, 0}, {1, 0}}}} {
		truth := Draw(four(), 1, Quiet())
		truth.Indicators[0].IndicatorFaults = f
		if err := Simulate(truth, DefaultPlan(), func(Row) error { return nil }); err == nil {
			t.Errorf("%+v was taken", f)
		}
	}
}

// By hand: 2 % too much, zeroed so that 1.02 shows on the top: the plunger came
// in by 1 mm since. Hysteresis is on both ends alike.
func TestPeakIsThePlungersOwnWay(t *testing.T) {
	i := Indicator{TravelMM: 10, IndicatorFaults: IndicatorFaults{ScaleError: 0.02, HysteresisMM: 0.004}}
	for zero, want := range map[float64]float64{1.02: 1, 0: 0, -0.51: -0.5} {
		if got := i.PeakMM(Setup{ZeroMM: zero}); math.Abs(got-want) > 1e-9 {
			t.Errorf("showing %g on the top the peak is %.6f, want %g", zero, got, want)
		}
	}
}

func TestBlocksShowTheFaults(t *testing.T) {
	truth := Draw(four(), 2, Quiet())
	truth.Indicators[0].IndicatorFaults = IndicatorFaults{ScaleError: 0.02, HysteresisMM: 0.004}
	list, err := truth.Blocks("left", 2, 1)
	if err != nil || len(list) != 2*2*12+5 {
		t.Fatalf("%d readings, %v", len(list), err)
	}
	for _, b := range list { // counted from the stop that was come to from within: 2 µm of the hysteresis are in that zero
		half := map[string]float64{"up": -0.002, "down": 0.002, "repeat": -0.002}[b.Direction]
		want := 1.02*(b.ReferenceMM+half) - 1.02*0.002
		if b.ReferenceMM == 0 {
			want = 0 // nothing moves before the play is used up
		}
		if math.Abs(b.ReadingMM-want) > 0.00001 {
			t.Errorf("%+v, want %.5f", b, want)
		}
	}
	if _, err := truth.Blocks("right", 2, 1); err == nil {
		t.Error("an indicator that is not there was held against blocks")
	}
	if _, err := truth.Blocks("left", 1, 0); err == nil {
		t.Error("steps of nothing were taken")
	}
}
