package dashboards

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/store"
)

func pageOver(t *testing.T, k *shelf, b *fakeBench, path string) string {
	t.Helper()
	s, err := New(Options{Store: k, Bench: b, Software: "crownmark test"})
	if err != nil {
		t.Fatal(err)
	}
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost"+path, nil))
	if rec.Code != 200 {
		t.Fatalf("%s: %d %s", path, rec.Code, rec.Body)
	}
	return rec.Body.String()
}

func oneJob(t *testing.T, name string, in fit.Input) *shelf {
	return &shelf{input: in, rev: "7", jobs: map[int64]store.Job{1: {ID: 1, Name: name, State: "open", Engine: in.Engine, CreatedAt: time.Unix(0, 0)}},
		stats: store.Stats{HeadHash: "5e1c90ab"}}
}

func TestAJobNobodySweptYet(t *testing.T) {
	in := fit.Input{Engine: practice(t), Priors: fit.DefaultPriors()}
	for _, path := range []string{"/jobs/1", "/jobs/1/report"} {
		page := pageOver(t, oneJob(t, "Practice", in), benchAt(0, nil), path)
		for _, want := range []string{"not swept", "no trim: not swept", "Battery disconnected", "5e1c90ab", fit.VerdictRule[:20]} {
			if !strings.Contains(page, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
		if strings.Contains(page, "NaN") || strings.Contains(strings.ToLower(page), "simulated") {
			t.Errorf("%s says NaN, or simulated", path)
		}
	}
}

func TestSimulatedIsSaidEverywhere(t *testing.T) {
	in := fit.Input{Engine: practice(t), Priors: fit.DefaultPriors(), Simulated: true}
	k := oneJob(t, "Practice", in)
	j := k.jobs[1]
	j.Simulated = true
	k.jobs[1] = j
	b := benchAt(0, nil)
	b.snapshot.Selection.Job = 1
	for _, path := range []string{"/", "/jobs", "/jobs/1", "/jobs/1/report"} {
		if !strings.Contains(strings.ToLower(pageOver(t, k, b, path)), "simulated") {
			t.Errorf("%s does not say that it is simulated", path)
		}
	}
}

// Names come from people; the policy forbids inline scripts and styles.
func TestPagesAreSafe(t *testing.T) {
	in := fit.Input{Engine: practice(t), Priors: fit.DefaultPriors()}
	in.Engine.Name = `<script>alert(1)</script>`
	k := oneJob(t, `"><img/src=x/onerror=alert(1)>`, in)
	b := benchAt(0, map[string]float64{"left": 1})
	b.snapshot.Selection = acquire.Selection{Job: 1, Cylinders: map[string]int{"left": 1}}
	b.snapshot.Notices = []acquire.Notice{{Text: "<b>x</b>", Fix: `"'<`}}
	inline := regexp.MustCompile(`<script>|<script [^>]*>[^<]|<style|\sstyle=|\son[a-z]+=|<img|src="(http|//)|href="(http|//)`)
	for _, path := range []string{"/", "/jobs", "/jobs/1", "/flags"} {
		if bad := inline.FindString(pageOver(t, k, b, path)); bad != "" {
			t.Errorf("%s has %q", path, bad)
		}
	}
}

func TestFlagsPageListsEveryFlag(t *testing.T) {
	page := pageOver(t, &shelf{}, benchAt(0, nil), "/flags")
	for _, n := range fit.FlagNotes() {
		if !strings.Contains(page, `id="`+n.Flag+`"`) {
			t.Errorf("%s is not listed", n.Flag)
		}
		if whyNone(fit.Cylinder{Flags: []string{n.Flag}}) == "" {
			t.Errorf("%s has no words", n.Flag)
		}
	}
}

func TestWheelKnowsItsZeroOnlyInTheReferencesMounting(t *testing.T) {
	x := solved(t, fit.Input{Engine: practice(t), Priors: fit.DefaultPriors(), DirectionConfirmed: true})
	top, early := 350.0, 169.0 // cylinder 2, nominal 540, comes at 350 + 179
	x.Cylinders[0].TDCDeg, x.Cylinders[1].TDCDeg = &top, &early
	job := store.Job{ID: 1, Engine: practice(t), DirectionSign: 1}
	sweeps := []store.Sweep{{ID: 1, Cylinder: 1, Mount: 2}}
	var v benchView
	v.placeTops(job, sweeps, x, 2)
	if v.ZeroDeg == nil || *v.ZeroDeg != top || len(v.Tops) != 4 || v.Tops[1].Deg != 179 || v.Tops[2].Deg != 180 {
		t.Errorf("same mounting: %+v", v)
	}
	v = benchView{}
	v.placeTops(job, sweeps, x, 3)
	if v.ZeroDeg != nil || len(v.Tops) != 0 || !strings.Contains(v.ZeroWord, "sweep 1 again") {
		t.Errorf("another mounting: %+v", v)
	}
	job.DirectionSign = 0
	v = benchView{}
	v.placeTops(job, sweeps, x, 2)
	if v.ZeroDeg != nil {
		t.Errorf("without a direction: %+v", v)
	}
}

// Seen from the damper end a crank that runs clockwise carries its marks
// clockwise under the pointer: what comes 90° later lies 90° the other way.
func TestWheelTurnsWithTheCrank(t *testing.T) {
	for hand, at := range map[float64]string{1: "-90", -1: "90"} {
		svg := string(wheelSVG(hand, []wheelTop{{3, 90}}))
		for _, want := range []string{`<g class="tab" transform="rotate(` + at + `)">`, `y="-394" transform="rotate(` + at + `)">90</text>`,
			`class="tick ten" y1="-426" y2="-462" transform="rotate(` + at + `)"`, `class="tick at" y1="-424" y2="-462" transform="rotate(` + at + `)"`,
			map[float64]string{1: `M88 -478A486 486 0 0 1 200 -443`, -1: `M-88 -478A486 486 0 0 0 -200 -443`}[hand]} {
			if !strings.Contains(svg, want) {
				t.Errorf("hand %g: no %s", hand, want)
			}
		}
	}
	e := practice(t)
	e.RunningDirection = "anticlockwise"
	var v benchView
	v.ofJob(store.Job{Engine: e, DirectionSign: -1}, nil, fit.Index{}, acquire.Snapshot{})
	if v.Hand != -1 || v.Sign != -1 {
		t.Errorf("hand %g, sign %d", v.Hand, v.Sign)
	}
}

func TestTabsThatMeetAreOne(t *testing.T) {
	tabs := together([]wheelTop{{1, 0}, {2, 181.4}, {3, 178.8}, {4, 359.2}, {5, 90}})
	if len(tabs) != 3 || tabs[0].text != "1·4" || tabs[1].text != "2·3" || tabs[2].text != "5" {
		t.Errorf("%+v", tabs)
	}
	if math.Abs(tabs[0].deg+0.4) > 1e-9 || math.Abs(tabs[1].deg-180.1) > 1e-9 {
		t.Errorf("middles %g %g", tabs[0].deg, tabs[1].deg)
	}
}

func TestCurvesSVG(t *testing.T) {
	in := swept(t, practice(t), 3, virtual.DefaultPlan())
	in.Engine.Name = "A & B <four>"
	x := solved(t, in)
	x.Cylinders[1].Curves = nil
	for _, o := range []PlotOptions{{}, {Cylinder: 3, Inline: true}, {WidthPX: 500}} {
		var b bytes.Buffer
		if err := CurvesSVG(&b, x, o); err != nil {
			t.Fatal(err)
		}
		wellFormed(t, b.String())
		if o.Cylinder == 0 && strings.Count(b.String(), "not swept yet") != 1 {
			t.Error("a cylinder without curves is not told")
		}
		if o.Inline == strings.Contains(b.String(), "<style>") {
			t.Error("a style sheet where none may be, or none where it must")
		}
	}
	if err := CurvesSVG(io.Discard, x, PlotOptions{Cylinder: 9}); err == nil {
		t.Error("drew a cylinder that is not there")
	}
	if err := CurvesSVG(failing{}, x, PlotOptions{}); !errors.Is(err, io.ErrShortWrite) {
		t.Errorf("%v", err)
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

// Odd data must not draw nonsense: no readings used, one point, huge residuals.
func TestPlotsOfOddData(t *testing.T) {
	x := fit.Index{Engine: "odd", IndexLimitDeg: 0, Cylinders: []fit.Cylinder{
		{Number: 1, Curves: []fit.Curve{{XDeg: []float64{1}, HeightMM: []float64{0}, ResidualMM: []float64{9}, Used: []bool{false}}}},
		{Number: 2, ThrowErrorDeg: new(179.0), ThrowU95Deg: new(0.1), Curves: []fit.Curve{{}}},
	}}
	var b bytes.Buffer
	if err := CurvesSVG(&b, x, PlotOptions{}); err != nil {
		t.Fatal(err)
	}
	wellFormed(t, b.String())
	wellFormed(t, string(errorsSVG(x, filledIn)))
	if !strings.Contains(string(errorsSVG(x, filledIn)), "off this scale") {
		t.Error("an error off the scale is drawn on it")
	}
	wellFormed(t, string(wheelSVG(-1, nil)))
}

func wellFormed(t *testing.T, svg string) {
	t.Helper()
	if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
		t.Error("NaN or Inf in the drawing")
	}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		if _, err := d.Token(); err == io.EOF {
			return
		} else if err != nil {
			t.Fatalf("%v in\n%.300s", err, svg)
		}
	}
}

func TestTicksAndNumbers(t *testing.T) {
	if got := ticks(-0.31, 0.29, 6); len(got) != 6 || math.Abs(got[0]+0.3) > 1e-9 {
		t.Errorf("ticks %v", got)
	}
	for _, row := range [][2]string{{signed(-0.0004, 3), "0.000"}, {signed(-1.25, 2), "−1.25"}, {fit.Signed(1.5, 1), "+1.5"}, {fit.Signed(0, 1), "0.0"},
		{fit.Signed(-0.04, 1), "0.0"}, {trimText(new(-1.5)), "−1.5"}, {trimText(new(0.25)), "+0.25"}, {trimText(new(2.0)), "+2.0"}, {trimText(nil), "—"},
		{tickText(0.25, 0.05), "0.25"}, {tickText(-20, 10), "−20"}, {topText(new(359.5), new(0.04)), "359.500 ± 0.040°"}} {
		if row[0] != row[1] {
			t.Errorf("%q, want %q", row[0], row[1])
		}
	}
	for v, want := range map[float64]float64{0.3: 0.5, 1: 1, 1.1: 2, 21: 50, 0: 1, math.Inf(1): 1} {
		if got := niceStep(v); math.Abs(got-want) > 1e-12 {
			t.Errorf("niceStep(%g) = %g, want %g", v, got, want)
		}
	}
}
