package dashboards

import (
	"math"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/store"
)

// onBench is a job on a live bench with one or two indicators.
func onBench(t *testing.T, names ...string) (benchView, acquire.Snapshot) {
	t.Helper()
	one, angle, read := 1, 0.0, time.Now()
	n := acquire.Snapshot{Encoder: acquire.InstrumentState{Kind: acquire.KindEncoder, Live: true, Value: &angle}}
	for _, name := range names {
		n.Indicators = append(n.Indicators, acquire.InstrumentState{Kind: acquire.KindIndicator, Name: name, Live: true})
	}
	e := practice(t)
	return benchView{Job: &jobDoc{ID: 1, Direction: &one, CautionsAt: &read}, Engine: e, Order: e.Order(false), Sign: 1}, n
}

func (s step) says(t *testing.T, phase, do string) {
	t.Helper()
	if s.Phase != phase || !strings.HasPrefix(s.Do, do) {
		t.Errorf("%s: %q, want %s: %q", s.Phase, s.Do, phase, do)
	}
}

func (s step) body(t *testing.T, want string) {
	t.Helper()
	if len(s.Acts) == 0 || s.Acts[0].Body != want {
		t.Errorf("%q: acts %+v, want %s", s.Do, s.Acts, want)
	}
}

func TestStepsBeforeTheFirstSweep(t *testing.T) {
	v, n := onBench(t, "left")
	mute := n
	mute.Indicators = []acquire.InstrumentState{{Kind: acquire.KindIndicator, Name: "left"}}
	nextStep(v, mute, fit.Index{}).says(t, phaseReady, "Get the indicator “left” to speak")
	mute.Encoder.Live = false
	nextStep(v, mute, fit.Index{}).says(t, phaseReady, "Get the encoder to speak")
	nextStep(benchView{}, n, fit.Index{}).says(t, phaseReady, "Make a job")
	s := nextStep(benchView{OpenJobs: []jobDoc{{ID: 7, Name: "Barn"}}}, n, fit.Index{})
	s.says(t, phaseReady, "Choose the job")
	s.body(t, `{"job":7,"cylinders":{}}`)
	still := v
	still.Job = &jobDoc{ID: 1}
	s = nextStep(still, n, fit.Index{})
	s.says(t, phaseReady, "Read this before anybody turns")
	still.Job.CautionsAt = v.Job.CautionsAt
	s = nextStep(still, n, fit.Index{})
	s.says(t, phaseDirection, "Turn a few degrees in running direction")
	s.body(t, `{"job":1}`)
	eye := n
	eye.Encoder.Live, eye.Encoder.Status = false, acquire.StatusByEye
	if s := nextStep(v, eye, fit.Index{}); s.Do != "No encoder: read the damper’s degree marks." || s.Acts[0].Href != "/by-hand" {
		t.Errorf("without an encoder: %+v", s)
	}
	eye = n
	eye.Indicators = []acquire.InstrumentState{{Kind: acquire.KindIndicator, Name: "plain", Status: acquire.StatusByEye}}
	if s := nextStep(v, eye, fit.Index{}); s.Do != "No indicator that speaks: read marks and dial by eye." || s.Acts[0].Href != "/by-hand" {
		t.Errorf("without an indicator that speaks: %+v", s)
	}
	s = nextStep(v, n, fit.Index{})
	s.says(t, phasePlace, "Next: the indicator on cylinder 1.")
	s.body(t, `{"job":1,"cylinders":{"left":1}}`)
	n.Running = []acquire.RunningSweep{{Cylinder: 3, Paused: true}}
	nextStep(v, n, fit.Index{}).says(t, phaseSweep, "Go on turning the same way: the sweep of cylinder 3")
}

// TestStepsOfAWholeJob follows a job of four cylinders, each swept there and
// back: one press a cylinder, and in the end the reference again.
func TestStepsOfAWholeJob(t *testing.T) {
	in := swept(t, practice(t), 3, virtual.DefaultPlan())
	v, n := onBench(t, "left")
	var pressed []string
	for k := 0; ; k++ {
		now := in
		now.Sweeps = in.Sweeps[:k]
		x := solved(t, now)
		if k > 0 {
			n.Selection = acquire.Selection{Job: 1, Cylinders: map[string]int{"left": in.Sweeps[k-1].Cylinder}}
			v.ZeroDeg = x.Cylinders[0].TDCDeg
			angle := *v.ZeroDeg + 2
			for _, c := range x.Cylinders {
				if c.Number == in.Sweeps[k-1].Cylinder {
					angle = *v.ZeroDeg + c.NominalDeg + 2
				}
			}
			n.Encoder.Value = &angle
		}
		s := nextStep(v, n, x)
		if k == len(in.Sweeps) {
			s.says(t, phaseMarks, "All cylinders are swept.")
			n.Selection.Cylinders = nil
			s = nextStep(v, n, x)
			s.says(t, phaseMarks, "Check the damper")
			x.Marks = []fit.MarkError{{Presses: 3}}
			nextStep(v, n, x).says(t, phaseReport, "The job is measured")
			break
		}
		switch {
		case k%2 == 1 && k < 8:
			s.says(t, phaseSweep, "Cylinder ")
			if !strings.HasSuffix(s.Do, "now sweep back.") && !strings.HasSuffix(s.Do, "now sweep forward.") {
				t.Errorf("after sweep %d: %q", k, s.Do)
			}
		case k == 8:
			s.says(t, phasePlace, "Back to cylinder 1, the reference")
			pressed = append(pressed, s.Acts[0].Body)
		case k%2 == 0:
			s.says(t, phasePlace, "Next: the indicator on cylinder ")
			pressed = append(pressed, s.Acts[0].Body)
		}
	}
	if got := strings.Join(pressed, ""); len(pressed) != 5 || strings.Count(got, `"left":1}`) != 2 {
		t.Errorf("pressed %d: %s", len(pressed), got)
	}
}

// TestStepsAfterLostCounts: a cylinder swept in a mount that nothing links to
// the reference leads back to the reference, not to itself again.
func TestStepsAfterLostCounts(t *testing.T) {
	in := swept(t, practice(t), 3, virtual.DefaultPlan())
	in.Sweeps = in.Sweeps[:4]
	for i := range in.Sweeps[2:] {
		in.Sweeps[2+i].Mount = 2
	}
	v, n := onBench(t, "left")
	n.Selection = acquire.Selection{Job: 1, Cylinders: map[string]int{"left": in.Sweeps[2].Cylinder}}
	x := solved(t, in)
	s := nextStep(v, n, x)
	s.says(t, phasePlace, "Back to cylinder 1, the reference")
	s.body(t, `{"job":1,"cylinders":{"left":1}}`)
	n.Selection.Cylinders["left"] = 1
	nextStep(v, n, x).says(t, phaseSweep, "Sweep cylinder 1 once more.")
	v.Last = []sweepRow{{Sweep: store.Sweep{Cylinder: 1}}} // swept, yet the old mount stays unlinked
	nextStep(v, n, x).says(t, phasePlace, "Next: the indicator on cylinder ")
}

// TestTogetherAndNearestFirst: two indicators are set on the cylinders that
// come up side by side, and the next top of the turn comes first.
func TestTogetherAndNearestFirst(t *testing.T) {
	v, n := onBench(t, "left", "right")
	s := nextStep(v, n, fit.Index{})
	s.body(t, `{"job":1,"cylinders":{"left":1,"right":4}}`)
	v, n = onBench(t, "left")
	zero := 40.0
	v.ZeroDeg = &zero
	x := solved(t, fit.Input{Engine: practice(t), Priors: fit.DefaultPriors()})
	x.Cylinders[0].Curves = []fit.Curve{{Direction: 1}, {Direction: -1}}
	x.Cylinders[0].Flags = nil
	for at, want := range map[float64]int{45: 3, 215: 3, 225: 4, 395: 4, 405: 3} { // 1 at 0°, 3 and 2 at 180°, 4 at 360°
		n.Encoder.Value = &at
		if next := v.nextUp(n, x); len(next) != 1 || next[0] != want && !(want == 3 && next[0] == 2) {
			t.Errorf("at %g°: next %v, want %d", at, next, want)
		}
	}
	at := 225.0
	n.Encoder.Value = &at
	v.Fixed, v.Order = true, []int{1, 2, 4, 3}
	if next := v.nextUp(n, x); next[0] != 2 {
		t.Errorf("by the job's own order: next %v", next)
	}
}

func TestCoverAndTravel(t *testing.T) {
	x := fit.Index{Cylinders: []fit.Cylinder{{Number: 2, Curves: []fit.Curve{
		{Direction: 1, XDeg: []float64{-30.5, -29.5, -0.5, 0.5, 29.9, 31}, Used: []bool{true, true, true, false, true, true}},
		{Direction: -1, XDeg: []float64{3.2}, Used: []bool{true}}}}}}
	if got := coverOf(x, 2, 1); got != "1"+zeros(28)+"1"+zeros(29)+"1" {
		t.Errorf("forward %s", got)
	}
	if got := coverOf(x, 2, -1); got != zeros(33)+"1"+zeros(26) {
		t.Errorf("back %s", got)
	}
	// By hand: r = 43, l = 143.5, no offset, 20°: 43(1 − cos 20°) + 143.5 − √(143.5² − (43 sin 20°)²) = 3.348 mm.
	e := practice(t)
	none := 0.0
	e.PinOffsetMM = &none
	if got := travelMM(e, 20); math.Abs(got-3.348) > 0.001 {
		t.Errorf("travel %g mm", got)
	}
}

// TestPreload: near the top, a plunger that is hardly pressed in is told of;
// one that is pressed in, or whose stop nobody saw, is not.
func TestPreload(t *testing.T) {
	v, n := onBench(t, "left")
	zero, angle, rest := 40.0, 20.0, -11.0
	v.ZeroDeg, v.Tops, v.Reserve = &zero, []wheelTop{{1, 0}}, "0.5 mm"
	v.Shown = func(mm float64) string { return display{Length: "mm"}.length(&mm, 1) + " mm" }
	n.Encoder.Value, n.Indicators[0].RestMM, n.Indicators[0].Cylinder = &angle, &rest, 1
	n.Selection = acquire.Selection{Job: 1, Cylinders: map[string]int{"left": 1}}
	for height, want := range map[float64]string{
		-10.8: "The plunger is pressed in by 0.2 mm only, 20° from the top: lower the indicator until it is 0.5 mm or more.",
		-10.4: "",
	} {
		n.Indicators[0].Value = &height
		if got := nextStep(v, n, fit.Index{}).How; got != want {
			t.Errorf("at %g mm: %q", height, got)
		}
	}
	low, far := -10.8, 100.0
	n.Indicators[0].Value, n.Encoder.Value = &low, &far
	if got := nextStep(v, n, fit.Index{}).How; got != "" {
		t.Errorf("far from the top: %q", got)
	}
	n.Encoder.Value, n.Indicators[0].RestMM = &angle, nil
	if got := nextStep(v, n, fit.Index{}).How; got != "" {
		t.Errorf("no stop seen: %q", got)
	}
}
