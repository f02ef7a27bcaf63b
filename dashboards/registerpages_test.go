package dashboards

import (
	"fmt"
	"testing"

	"crownmark/fit/calibrate"
)

var registerPages = []string{"/register", "/register/new", "/register/new?bench=left", "/register/1", "/register/2", "/register/4", "/calibrations/new?instrument=1",
	"/calibrations/1", fmt.Sprint("/calibrations/", calUnissued), fmt.Sprint("/calibrations/", calCheck), fmt.Sprint("/calibrations/", calRunning), "/certificates/1", "/certificates/2"}

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

// TestZShots is only for looking.
func TestZShots(t *testing.T) {
	a := fullShop(t)
	h := &held{watched: browse(t, a.srv.URL), rules: axeRules(t), told: map[string]bool{}}
	for _, p := range registerPages {
		h.path = p
		h.open(a.srv.URL + p)
		h.pictures(a.srv.URL + p)
		h.looksRight()
		h.besides(a.srv.URL + p)
	}
	h.faultless()
}
