package dashboards

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"crownmark/fit/calibrate"
	"crownmark/store"
)

// numbersOf are the values of an attribute of every element of a class.
func numbersOf(t *testing.T, svg, class, attribute string) (out []float64) {
	t.Helper()
	for _, m := range regexp.MustCompile(`<\w+ class="`+class+`"[^>]* `+attribute+`="([^"]+)"`).FindAllStringSubmatch(svg, -1) {
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func rows(way calibrate.Direction, run int, errors ...float64) (list []calibrate.Row) {
	for i, e := range errors {
		list = append(list, calibrate.Row{Run: run, Direction: way, ReferenceMM: float64(i), ReadingMM: float64(i) + e, ErrorMM: e})
	}
	return list
}

// TestErrorGraph: errors of 0 and 10 µm lie as far apart as a limit of 20 µm is
// half wide, the limit's band lies evenly about them, and each way has its shape.
func TestErrorGraph(t *testing.T) {
	say := func(text string, args ...any) string { return filledIn(text, args...) }
	r := calibrate.Result{Limits: map[string]float64{calibrate.Total: 0.02}, Points: append(append(rows(calibrate.Up, 1, 0, 0.010, 0.004), rows(calibrate.Down, 1, 0.001, 0.006)...), rows(calibrate.Repeat, 1, 0.003)...),
		Correction: []calibrate.Knot{{ReadingMM: 0, U95MM: 0.001, BetweenU95MM: new(0.002)}, {ReadingMM: 2.004, CorrectionMM: -0.004, U95MM: 0.001}}}
	svg := string(calPlot{say: say}.errorGraph(r))
	up, limits := numbersOf(t, svg, "pt", "cy"), numbersOf(t, svg, "limit", "y1")
	if len(up) != 3 || len(numbersOf(t, svg, "pt back", "cy")) != 2 || strings.Count(svg, `class="rept"`) != 1 || len(limits) != 2 || strings.Count(svg, `class="doubtband"`) != 1 {
		t.Fatal(svg)
	}
	span := up[0] - up[1] // 10 µm, upwards
	if span < 20 || math.Abs(limits[0]-limits[1]-2*span) > 0.05 || math.Abs((limits[0]+limits[1])/2-(up[0]+up[1])/2) > 0.05 {
		t.Errorf("10 µm are %g high, limits at %v", span, limits)
	}
	if !strings.Contains(svg, "error, µm") || !strings.Contains(svg, "20.0 µm") {
		t.Error(svg)
	}
	if inch := string(calPlot{say: say, inch: true}.errorGraph(r)); !strings.Contains(inch, "787 µin") || math.Abs(numbersOf(t, inch, "pt", "cy")[1]-up[1]) > 0.05 {
		t.Errorf("in inches: %s", inch)
	}
	lifted := calibrate.Result{Points: rows(calibrate.Up, 1, 0.3, 0.302, 0.301)} // not zeroed: still to be seen
	if up := numbersOf(t, string(calPlot{say: say}.errorGraph(lifted)), "pt", "cy"); up[0]-up[1] < 100 {
		t.Errorf("2 µm on 300 are %g high", up[0]-up[1])
	}
}

// TestCheckChart: checks of one block are charted together, and one beyond its
// limits is a triangle.
func TestCheckChart(t *testing.T) {
	begin := time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)
	var list []store.Check
	for day, um := range []float64{1, 2, 1, 2, 1, 2, 1, 2, 1, 2, 1.5, 9} {
		list = append(list, store.Check{ReferenceMM: 5, DeviationMM: um / 1e3, At: begin.AddDate(0, 0, day)})
	}
	list = append([]store.Check{{ReferenceMM: 10, DeviationMM: 0.05, At: begin}}, list...)
	p := calPlot{say: func(text string, args ...any) string { return filledIn(text, args...) }}
	c := p.chartOf(list, 0.001)
	if c.State != calibrate.Outside || c.Others != 1 || len(c.Points) != 12 || c.Latest.DeviationMM != 0.009 {
		t.Errorf("%+v", c)
	}
	svg := string(c.SVG)
	if strings.Count(svg, `class="v outside"`) != 1 || strings.Count(svg, `class="v within"`) != 11 || strings.Count(svg, `class="limit"`) != 2 || !strings.Contains(svg, "2026-01-05") || !strings.Contains(svg, "2026-01-16") {
		t.Error(svg)
	}
	if few := p.chartOf(list[:3], 0.001); few.State != calibrate.TooFew || strings.Contains(string(few.SVG), `class="limit"`) {
		t.Errorf("of two checks: %+v", few)
	}
	if p.chartOf(nil, 0.001) != nil {
		t.Error("a chart of nothing")
	}
}
