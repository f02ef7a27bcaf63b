package dashboards

import (
	"strings"
	"testing"
	"time"

	"crownmark/acquire/virtual"
	"crownmark/dashboards/report"
	"crownmark/fit"
)

// told is a document with everything that the curves can tell beside the top.
func told() fit.Index {
	p := func(v float64) *float64 { return &v }
	return fit.Index{Status: "ok", ReferenceCylinder: 1, TimingLight: []fit.LightReading{{ShowsDeg: 10, RealDeg: 10.8, U95Deg: 0.21}},
		Cylinders: []fit.Cylinder{
			{Number: 1, Durations: []fit.Duration{{DropMM: 1, Deg: 21.734, U95Deg: 0.01}}, StrokeSeenMM: p(91.16), StrokeSeenU95MM: p(0.03), StrokeSeenRatio: p(1.0599), TiltDeg: p(19.4)},
			{Number: 3, Durations: []fit.Duration{{DropMM: 1, Deg: 21.5}}, TrimDeg: p(-1.498), TrimSetDeg: p(-1.5), IndexU95Deg: p(0.009),
				LeftByStep: []fit.StepLeft{{StepDeg: 0.25, SetDeg: -1.5, LeftDeg: 0.002}, {StepDeg: 1, SetDeg: -1, LeftDeg: -0.498}}},
			{Number: 4, Flags: []string{fit.FlagNotSwept}},
		}}
}

func TestPagesTellWhatElseTheCurvesTell(t *testing.T) {
	in := fit.Input{Engine: practice(t), Priors: fit.DefaultPriors()}
	k := oneJob(t, "Practice", in)
	s, err := New(Options{Store: k, Bench: benchAt(0, nil), Software: "crownmark test"})
	if err != nil {
		t.Fatal(err)
	}
	v, err := viewOf(k.jobs[1], nil, told(), filledIn)
	if err != nil {
		t.Fatal(err)
	}
	var job, paper strings.Builder
	if err := s.pages.sets[pageKey{"job", "en", "mm"}].ExecuteTemplate(&job, "layout.html", frame{Page: v, Now: time.Unix(0, 0)}); err != nil {
		t.Fatal(err)
	}
	if err := WriteReport(&paper, report.Document{Engine: in.Engine, Index: told()}, "", ReportLook{}); err != nil {
		t.Fatal(err)
	}
	for _, page := range []struct{ name, says, below, light, step, leaves string }{
		{"job", job.String(), "1 mm below", "shows 10°", "Set in steps of 0.25°", "°</b> <small>leaves "},
		{"report", paper.String(), "degrees within 1 mm of the top", "<td>10°</td>", "steps of 0.25°", "° leaves "},
	} {
		for _, want := range []string{page.below, "21.73°", "91.160 ± 0.030 mm", "1.0599", "19°", page.light, "10.8°", "± 0.2°", page.step, "−1.5" + page.leaves + "0.00°", "−1.0" + page.leaves + "−0.50°"} {
			if !strings.Contains(page.says, want) {
				t.Errorf("%s does not tell %q", page.name, want)
			}
		}
	}
}

// Nothing swept: no empty table, no heading without one.
func TestPagesTellNothingWhereNothingIsKnown(t *testing.T) {
	in := fit.Input{Engine: practice(t), Priors: fit.DefaultPriors()}
	page := pageOver(t, oneJob(t, "Practice", in), benchAt(0, nil), "/jobs/1")
	for _, not := range []string{"With other steps", "What the timing light really says", "mm below"} {
		if strings.Contains(page, not) {
			t.Errorf("says %q", not)
		}
	}
	page = pageOver(t, oneJob(t, "Practice", swept(t, practice(t), 3, virtual.DefaultPlan())), benchAt(0, nil), "/jobs/1/report")
	for _, want := range []string{"What other controller steps would leave", "within 0.5 mm of", "within 5 mm of"} {
		if !strings.Contains(page, want) {
			t.Errorf("a swept job does not say %q", want)
		}
	}
}
