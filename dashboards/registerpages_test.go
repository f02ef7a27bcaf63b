package dashboards

import (
	"context"
	"fmt"
	"html"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"crownmark/dashboards/certificate"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

var registerPages = []string{"/register", "/register/new", "/register/new?bench=left", "/register/1", "/register/2", "/register/4", "/register/5", "/calibrations/new?instrument=1",
	"/calibrations/1", fmt.Sprint("/calibrations/", calUnissued), fmt.Sprint("/calibrations/", calCheck), fmt.Sprint("/calibrations/", calRunning), "/certificates/1", "/certificates/2", "/certificates/3"}

// TestRegisterPagesInGerman: nothing of the register, of calibrations and of
// certificates is left in English.
func TestRegisterPagesInGerman(t *testing.T) {
	a := fullShop(t)
	for _, path := range registerPages {
		for _, l := range inGerman(a.server, germanPage(t, a.server, path)) {
			t.Errorf("%s: %s", path, l)
		}
	}
}

// TestCalibrationWordsHaveTheirGerman: every word for a verdict, a standing, a
// kind, a scheme, a direction and a chart.
func TestCalibrationWordsHaveTheirGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, v := range []string{calibrate.Pass, calibrate.ConditionalPass, calibrate.ConditionalFail, calibrate.Fail, ""} {
		all = append(all, calVerdictWords(v), calVerdictMeans(v))
	}
	for _, s := range standings() {
		all = append(all, standingWords(s), standingMeans(s))
	}
	for _, k := range []string{"indicator", "encoder", "blocks", "head", ""} {
		all = append(all, kindWords(k))
	}
	for _, s := range append(calibrate.Schemes(), "") {
		all = append(all, schemeWords(s))
	}
	for _, w := range []calibrate.Direction{calibrate.Up, calibrate.Down, calibrate.Repeat} {
		all = append(all, wayOfPoint(w))
	}
	for _, s := range []string{calibrate.Steady, calibrate.Drifting, calibrate.Outside, calibrate.TooFew} {
		all = append(all, chartWords(s))
	}
	for _, k := range characteristicsOf(calibrate.Result{Limits: map[string]float64{calibrate.Total: 1, calibrate.Local: 1, calibrate.Hysteresis: 1, calibrate.Repeatability: 1, calibrate.Linearity: 1}}) {
		all = append(all, k.Name, k.Means)
	}
	if len(all) < 45 {
		t.Fatalf("%d words: the search is broken", len(all))
	}
	for _, text := range all {
		lacking(t, c, "calibration", text)
	}
}

// TestWhatAnEvaluationSaysHasItsGerman: rule, budget and warnings of calibrations
// that lack something, each in a way of its own.
func TestWhatAnEvaluationSaysHasItsGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	point := func(way calibrate.Direction, at, off float64) calibrate.Point {
		return calibrate.Point{Run: 1, Direction: way, ReferenceMM: at, ReadingMM: at + off}
	}
	both := []calibrate.Point{point(calibrate.Up, 0, 0), point(calibrate.Up, 0.5, 0.001), point(calibrate.Up, 4, 0.004), point(calibrate.Down, 4, 0.005), point(calibrate.Down, 0.5, 0.002), point(calibrate.Down, 0, 0.001), point(calibrate.Repeat, 0.5, 0.001), point(calibrate.Repeat, 0.5, 0.002)}
	all := map[string]float64{calibrate.Total: 0.004, calibrate.Local: 0.004, calibrate.Hysteresis: 0.004, calibrate.Repeatability: 0.004, calibrate.Linearity: 0.004}
	said := 0
	for _, asked := range []struct {
		points []calibrate.Point
		c      calibrate.Conditions
	}{
		{both, calibrate.Conditions{Reference: calibrate.Reference{Kind: "head", U95MM: 0.01, Stated: true}, TemperatureC: new(20.0), TempU95C: 1}},
		{both[:3:3], calibrate.Conditions{}},
		{[]calibrate.Point{both[0], both[2], both[3]}, calibrate.Conditions{ResolutionMM: 0.001, TemperatureC: new(31.0)}},
		{append(both, point(calibrate.Up, 4.0004, 0.004)), calibrate.Conditions{}},
	} {
		o := calibrate.DefaultOptions()
		o.Conditions, o.Limits = asked.c, all
		r, err := calibrate.Evaluate(asked.points, o)
		if err != nil {
			t.Fatal(err)
		}
		texts := append([]string{r.Rule}, r.Warnings...)
		for _, l := range r.Budget {
			texts = append(texts, l.Source, l.Size, l.HowKnown)
		}
		for _, text := range texts {
			lacking(t, c, "evaluation", text)
		}
		said += len(r.Warnings)
	}
	if said < 12 {
		t.Errorf("%d warnings: these calibrations lack too little", said)
	}
}

// shows fails for what a page does not say, its tags left out.
func shows(t *testing.T, page string, texts ...string) {
	t.Helper()
	said := html.UnescapeString(strings.Join(strings.Fields(tag.ReplaceAllString(page, " ")), " "))
	for _, text := range texts {
		if !strings.Contains(said, text) {
			t.Errorf("the page does not say %q:\n%s", text, said)
		}
	}
}

// TestRegisterPages: what is in the register stands on its pages.
func TestRegisterPages(t *testing.T) {
	a := fullShop(t)
	page := func(path string) string { body, _ := get(t, a.srv.URL+path); return body }
	shows(t, page("/register"), "Left dial indicator, serial number 4711 in force", "No. 1", "3 instruments need attention.", "outside its limits", "Right dial indicator, serial number 4712 failed", "+12.0 µm 20", "Blocks, grade 1 gauge blocks expired 2026-02-01 C-1877 ±0.3 µm + 4 µm/m", "Head 25 micrometer head, serial number 88-104 in force 2041-03-01 C-2291 ±1.2 µm + 20 µm/m")
	shows(t, page("/register/1"), "Range 12.5 mm", "Limit: Total error 12.0 µm", "Being calibrated now Calibration 16", "Read, and no certificate issued Calibration 3", "The latest check is outside the limits", "On the block of 5 mm. Last: +12.0 µm.", "No. 1 its number 1, simulated")
	shows(t, page("/calibrations/16"), "Calibration 16 against “Head 25” ISO 13102, digital", "Turn")
	shows(t, page("/calibrations/3"), "Issue the certificate")
	shows(t, page("/calibrations/4"), "Off the block by +2.0 µm.")
	shows(t, page("/certificates/1"), "SIMULATED", "Serial number 4711", "Measurer one", "20.5 ± 1.0 °C, together for 60 min before", "C-2291, due 2041-03-01")
}

// TestUnzeroed: a certificate whose display was not zeroed says so.
func TestUnzeroed(t *testing.T) {
	for errorMM, want := range map[float64]bool{0.298: true, -0.298: true, 0.03: false, 0: false} {
		v := certificateView{Document: certificate.Document{Points: []certificate.Point{{ErrorMM: 9, TakenBack: true}, {ErrorMM: errorMM}}}}
		if got := v.Unzeroed(); got != want {
			t.Errorf("off by %g mm at the first point: %v, want %v", errorMM, got, want)
		}
	}
}

// touched is a store in which the first instrument failed after it was good.
type touched struct{ Store }

func (touched) Touched(context.Context, int64) (store.Touched, error) {
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	return store.Touched{Failed: &store.Certificate{Number: 9}, Good: &store.Certificate{Number: 1},
		Jobs: []store.TouchedJob{{ID: 1, Name: "Barn four", Sweeps: []int64{3, 4}, Cylinders: []int{2, 5}, Reports: []int64{7}, First: at, Last: at.AddDate(0, 0, 2)}}}, nil
}

// TestTouchedByAFailedInstrument: jobs and reports that rest on it are named.
func TestTouchedByAFailedInstrument(t *testing.T) {
	a := fullShop(t)
	s, err := New(Options{Store: touched{a.store}, Bench: a.bench, Software: "crownmark test"})
	if err != nil {
		t.Fatal(err)
	}
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost/register/1", nil))
	shows(t, rec.Body.String(), "What it may have made wrong", "Certificate 9 says that it is not good.", "It was good at certificate 1", "Barn four 2, 5 2 2026-03-01 – 2026-03-03 Report 7")
	for _, l := range inGerman(s, germanPage(t, s, "/register/1")) {
		t.Error(l)
	}
}

// TestInstrumentForm: what is wrong stands beside its field, and what is right is
// kept as it was meant, micrometres as millimetres.
func TestInstrumentForm(t *testing.T) {
	a := startAPI(t, nil)
	w := browse(t, a.srv.URL)
	w.size(1280, 900)
	w.do(chromedp.Navigate(a.srv.URL + "/register/new?bench=left"))
	w.until("the form", `document.readyState === "complete"`)
	fill := func(name, value string) {
		w.do(chromedp.SetValue(chromedp.CSS(fmt.Sprintf(`[name=%q]`, name)), value))
	}
	fill("name", "Left dial")
	fill("range_mm", "12,5")
	fill("resolution_mm", "20")
	fill("limits_mm/total", "12")
	fill("limits_mm/hysteresis", "three")
	w.do(chromedp.Click(chromedp.CSS("#record button.main")))
	w.until("what cannot be read is told at its field", `document.querySelector('[name="limits_mm/hysteresis"]').getAttribute("aria-invalid") === "true" && document.activeElement.name === "limits_mm/hysteresis"`)
	fill("limits_mm/hysteresis", "3")
	w.do(chromedp.Click(chromedp.CSS("#record button.main")))
	w.until("what cannot be is told at its field", `document.querySelector('[name=resolution_mm]').nextElementSibling?.textContent.includes("longer than the range")`)
	w.shot("register-form-fault")
	fill("resolution_mm", "0.001")
	w.do(chromedp.Click(chromedp.CSS("#record button.main")))
	w.arrives("its page", `location.pathname === "/register/1"`)
	i, err := a.store.Instrument(t.Context(), 1)
	if r := i.Record; err != nil || r.RangeMM != 12.5 || r.ResolutionMM != 0.001 || r.LimitsMM["total"] != 0.012 || r.LimitsMM["hysteresis"] != 0.003 || r.BenchName != "left" || r.IntervalDays != 365 {
		t.Errorf("%v %+v", err, r)
	}
	w.forgive("422")
	w.do(chromedp.Click(chromedp.CSS("#change summary")))
	fill("serial_number", "4711")
	w.do(chromedp.EvaluateAsDevTools[chromedp.Void](`for (const n of ["plugged", "range_mm", "limits_mm/hysteresis"]) document.getElementById("record").elements[n].value = ""`))
	w.do(chromedp.Click(chromedp.CSS("#record button.main")))
	w.arrives("what was taken away is gone", `document.querySelector(".nameplate").textContent.includes("4711")`)
	i, err = a.store.Instrument(t.Context(), 1)
	if r := i.Record; err != nil || r.SerialNumber != "4711" || r.LimitsMM["total"] != 0.012 || len(r.LimitsMM) != 1 || r.RangeMM != 0 || r.BenchName != "" || r.ResolutionMM != 0.001 {
		t.Errorf("%v %+v", err, r)
	}
	w.faultless()
}
