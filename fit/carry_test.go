package fit

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// calibratedJob is two cylinders, each swept both ways, one after the other or at
// once, with indicators of one calibration whose points are known to u95.
func calibratedJob(atOnce bool, shift func(c *Correction)) Input {
	s := newSynth()
	in := s.input(s.both(1, 1, 1), s.both(2, 1, 2))
	if atOnce {
		in = s.input(s.together([]int{1, 4}, 1, 1, -28, 28, 6), s.together([]int{1, 4}, 1, 1, 28, -28, 6))
	}
	in = s.told(in)
	c := &Correction{}
	for k := range 13 {
		c.ReadingMM, c.CorrectionMM, c.U95MM = append(c.ReadingMM, float64(k)), append(c.CorrectionMM, -0.01*float64(k)), append(c.U95MM, 0.002)
	}
	shift(c)
	rest := -11.3
	for i := range in.Sweeps {
		in.Sweeps[i].Correction, in.Sweeps[i].RestMM = c, &rest
	}
	return in
}

func settled(t *testing.T, in Input) (*job, *solution) {
	t.Helper()
	j := newJob(in)
	if err := j.prepare(); err != nil {
		t.Fatal(err)
	}
	j.keepAnchor()
	s, err := j.settle()
	if err != nil {
		t.Fatal(err)
	}
	return j, s
}

// What a point's doubt moves is what the fit itself moves by where that point
// is shifted by a tenth of a micrometre, up and down.
func TestErrorsOfTheCurveAreCarriedLikeTheFitItself(t *testing.T) {
	for name, atOnce := range map[string]bool{"one after the other": false, "at once": true} {
		t.Run(name, func(t *testing.T) { carriedRight(t, atOnce) })
	}
}

func carriedRight(t *testing.T, atOnce bool) {
	const by = 0.0001
	j, s := settled(t, calibratedJob(atOnce, func(*Correction) {}))
	p := j.passes[len(j.passes)-1]
	params := map[string]int{"peak": p.zero, "scale": p.scale, "index": p.index, "mount": p.mount, "play": p.play}
	for k := 2; k < 13; k += 2 {
		var value [2]map[string]float64
		for way := range value {
			_, moved := settled(t, calibratedJob(atOnce, func(c *Correction) { c.CorrectionMM[k] += by * float64(2*way-1) }))
			value[way] = map[string]float64{}
			for name, i := range params {
				value[way][name] = moved.model.value(i)
			}
		}
		l := slices.IndexFunc(s.carried, func(l carried) bool {
			return l.kind == apart && math.Abs(between(l.curve.ReadingMM, l.curve.U95MM, float64(k))/k95-l.off(p.src, float64(k)-11.3)) < 1e-9
		})
		if l < 0 {
			continue // no reading feels it, and neither does the zero
		}
		for name, i := range params {
			got, want := s.carried[l].moves[i]*by/(0.002/k95), (value[1][name]-value[0][name])/2
			if math.Abs(got-want) > 0.12*math.Abs(want)+0.002*by { // the fit also learns its scatter anew
				t.Errorf("point %d moves %s by %.3g, carried %.3g", k, name, want, got)
			}
		}
	}
	if len(s.carried) < 6 {
		t.Errorf("only %d ways to be wrong are carried", len(s.carried))
	}
}

// By hand: the correction is −1 % of the reading. A plunger at 6 mm whose display
// was zeroed at 8 mm shows −2; −0.06 there less −0.08 at its zero is +0.02. At
// 12 mm, beyond the points, the line goes on: −0.12 + 0.08 = −0.04.
func TestLookUpAtThePlungersPlace(t *testing.T) {
	rest := -8.0
	known := Sweep{RestMM: &rest}
	e := &errorCurve{Correction: &Correction{ReadingMM: []float64{0, 5, 10}, CorrectionMM: []float64{0, -0.05, -0.1}}}
	e.straighten()
	for _, c := range []struct {
		of          *Sweep
		shown, want float64
	}{{&known, -2, 0.02}, {&known, 0, 0}, {&known, 4, -0.04}, {&Sweep{}, 5, -0.05}, {&Sweep{}, -2, 0.02}, {&Sweep{}, 12, -0.12}, {&Sweep{}, 0, 0}} {
		if got := e.add(c.of, c.shown); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("at %g mm %+.6f is added, want %+.6f", c.shown, got, c.want)
		}
		if back := e.shown(c.of, c.shown+c.want); math.Abs(back-c.shown) > 1e-8 {
			t.Errorf("%.6f mm is shown as %.9f, want %g", c.shown+c.want, back, c.shown)
		}
	}
}

// The calibration's doubt is in what is told of heights; between two tops of one
// indicator nearly nothing of it is left.
func TestHeightsFeelTheCalibrationAndTheTopHardlyDoes(t *testing.T) {
	in := calibratedJob(false, func(*Correction) {})
	x := solve(t, in)
	for i := range in.Sweeps {
		bare := *in.Sweeps[i].Correction
		bare.U95MM = nil
		in.Sweeps[i].Correction = &bare
	}
	y := solve(t, in)
	a, b := cylinderOf(x, 2), cylinderOf(y, 2)
	line := slices.IndexFunc(a.Budget, func(s Share) bool { return s.Source == srcCurve })
	if line < 0 || a.Budget[line].UDeg > 0.001 || a.Budget[line].HowKnown != "certificate" {
		t.Errorf("budget %+v, want a line of the calibration under 0.001°", a.Budget)
	}
	if slices.ContainsFunc(b.Budget, func(s Share) bool { return s.Source == srcCurve }) {
		t.Error("a correction without doubt has a line in the budget")
	}
	if *a.PeakU95MM <= *b.PeakU95MM || *a.ScaleU95 <= *b.ScaleU95 || *a.IndexErrorDeg != *b.IndexErrorDeg {
		t.Errorf("with the calibration's doubt: peak ± %g, scale ± %g, without: ± %g, ± %g", *a.PeakU95MM, *a.ScaleU95, *b.PeakU95MM, *b.ScaleU95)
	}
}

// Without the resting stop a local error of 20 µm may lie anywhere: the peak's
// doubt says so, the advice tells what to do, and neither speaks where it is
// known.
func TestUnknownRestingStopIsDoubted(t *testing.T) {
	said := func(x Index) bool {
		return slices.ContainsFunc(x.Advice, func(a string) bool { return strings.Contains(a, "where its plunger stood") })
	}
	in := calibratedJob(false, func(c *Correction) { c.CorrectionMM[7] += 0.02 })
	rest := -9.3
	for i := range in.Sweeps { // the display was zeroed 2 mm below the tops
		in.Sweeps[i].RestMM = &rest
		for k := range in.Sweeps[i].Height.V {
			in.Sweeps[i].Height.V[k] += 2
		}
	}
	x := solve(t, in)
	for i := range in.Sweeps {
		in.Sweeps[i].RestMM = nil
	}
	y := solve(t, in)
	known, blind := cylinderOf(x, 2), cylinderOf(y, 2)
	more := math.Sqrt(*blind.PeakU95MM**blind.PeakU95MM - *known.PeakU95MM**known.PeakU95MM)
	if more < 0.005 || more > 0.04 || said(x) || !said(y) {
		t.Errorf("peak ± %.4f, without the stop ± %.4f mm; advice %q and %q", *known.PeakU95MM, *blind.PeakU95MM, x.Advice, y.Advice)
	}
	in.Sweeps[0].RestMM, in.Sweeps[3].RestMM = &rest, &rest // of one sweep in each zeroing
	if z := cylinderOf(solve(t, in), 2); *z.PeakU95MM > 1.02**known.PeakU95MM || *z.PeakU95MM < 0.9**known.PeakU95MM {
		t.Errorf("peak ± %.4f where another sweep of the zeroing knows the stop, ± %.4f", *z.PeakU95MM, *known.PeakU95MM)
	}
}

// A thousand points doubt the heights no less than the few that say the same,
// and cost little more.
func TestManyPointsErrTogetherWithTheirNeighbours(t *testing.T) {
	few := calibratedJob(false, func(*Correction) {})
	many := calibratedJob(false, func(c *Correction) {
		*c = Correction{}
		for k := range 1201 {
			c.ReadingMM, c.CorrectionMM, c.U95MM = append(c.ReadingMM, float64(k)/100), append(c.CorrectionMM, -0.0001*float64(k)), append(c.U95MM, 0.002)
		}
		c.BetweenU95MM = make([]float64, 1200)
	})
	_, s := settled(t, many)
	if n := len(s.carried); n > 2*mostApart+10 {
		t.Errorf("%d ways to be wrong are carried", n)
	}
	a, b := cylinderOf(solve(t, few), 2), cylinderOf(solve(t, many), 2)
	if *b.PeakU95MM < 0.97**a.PeakU95MM || *b.PeakU95MM > 1.03**a.PeakU95MM {
		t.Errorf("peak ± %.5f by many points, ± %.5f by few", *b.PeakU95MM, *a.PeakU95MM)
	}
}

// Between two points the doubt is as large as it is told, at them what the points
// have.
func TestArchesBetweenThePoints(t *testing.T) {
	e := &errorCurve{Correction: &Correction{ReadingMM: []float64{0, 2, 4}, CorrectionMM: []float64{0, 0, 0}, U95MM: []float64{0.003, 0.003, 0.003}, BetweenU95MM: []float64{0.005, 0.002}}}
	e.straighten()
	sum := func(r float64) float64 {
		arch := e.arches(0, 2)(r)
		hats := 0.0
		for k := range 3 {
			hat := make([]float64, 3)
			hat[k] = e.U95MM[k] / k95
			h := between(e.ReadingMM, hat, r)
			hats += h * h
		}
		return k95 * math.Sqrt(hats+arch*arch)
	}
	for r, want := range map[float64]float64{0: 0.003, 1: 0.005, 2: 0.003, 3: 0.003 / math.Sqrt2, 4: 0.003} {
		if got := sum(r); math.Abs(got-want) > 1e-9 {
			t.Errorf("at %g mm ± %.6f, want %.6f", r, got, want)
		}
	}
}
