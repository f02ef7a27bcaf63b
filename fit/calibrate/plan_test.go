package calibrate_test

import (
	"bytes"
	"encoding/csv"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"crownmark/fit/calibrate"
)

func plan(t *testing.T, r calibrate.PlanRequest) []calibrate.Target {
	t.Helper()
	p, err := calibrate.Plan(r)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// side is one run's points in one direction.
func side(p []calibrate.Target, run int, d calibrate.Direction) []float64 {
	var out []float64
	for _, t := range p {
		if t.Run == run && t.Direction == d {
			out = append(out, t.ReferenceMM)
		}
	}
	return out
}

// Each scheme's points, worked out by hand from its rule.
func TestPlansBySchemes(t *testing.T) {
	for _, c := range []struct {
		name string
		ask  calibrate.PlanRequest
		up   []float64
	}{
		{"electronic", calibrate.PlanRequest{Scheme: calibrate.SchemeISO13102, RangeMM: 10},
			[]float64{0, 1, 2, 3, 4, 5, 5.1, 5.2, 5.3, 5.4, 5.5, 5.6, 5.7, 5.8, 5.9, 6, 7, 8, 9, 10}},
		{"no room for a span", calibrate.PlanRequest{Scheme: calibrate.SchemeISO463, RangeMM: 1},
			[]float64{0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1}},
		{"revolutions", calibrate.PlanRequest{Scheme: calibrate.SchemeJISB7503, RangeMM: 20, ResolutionMM: 0.01},
			[]float64{0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.9, 2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 9, 10, 15, 20}},
		{"quarters", calibrate.PlanRequest{Scheme: calibrate.SchemeASMEB89, RangeMM: 5, ResolutionMM: 0.01},
			[]float64{0, 0.25, 0.5, 0.75, 1, 1.25, 1.5, 1.75, 2, 2.25, 2.5, 3.5, 4.5, 5}},
		{"own", calibrate.PlanRequest{Scheme: calibrate.SchemeOwn, PointsMM: []float64{2, 0, 1, 1}}, []float64{0, 1, 2}},
	} {
		p := plan(t, c.ask)
		if got := side(p, 1, calibrate.Up); !slices.Equal(got, c.up) {
			t.Errorf("%s: up %v, want %v", c.name, got, c.up)
		}
		down := slices.Clone(c.up)
		slices.Reverse(down)
		if got := side(p, 1, calibrate.Down); !slices.Equal(got, down) {
			t.Errorf("%s: down %v, want %v", c.name, got, down)
		}
		if got := side(p, 1, calibrate.Repeat); len(got) != 5 || slices.Min(got) != slices.Max(got) || !slices.Contains(c.up, got[0]) {
			t.Errorf("%s: repeats %v", c.name, got)
		}
	}
}

// Runs follow one another; the repeats come last, at the middle.
func TestPlanOrder(t *testing.T) {
	p := plan(t, calibrate.PlanRequest{Scheme: calibrate.SchemeOwn, PointsMM: []float64{0, 1, 2}, Runs: 2, Repeats: 2})
	want := []calibrate.Target{
		{1, calibrate.Up, 0}, {1, calibrate.Up, 1}, {1, calibrate.Up, 2}, {1, calibrate.Down, 2}, {1, calibrate.Down, 1}, {1, calibrate.Down, 0},
		{2, calibrate.Up, 0}, {2, calibrate.Up, 1}, {2, calibrate.Up, 2}, {2, calibrate.Down, 2}, {2, calibrate.Down, 1}, {2, calibrate.Down, 0},
		{2, calibrate.Repeat, 1}, {2, calibrate.Repeat, 1}}
	if !slices.Equal(p, want) {
		t.Errorf("got %v", p)
	}
}

func TestPlanRefuses(t *testing.T) {
	for want, r := range map[string]calibrate.PlanRequest{
		"the scheme \"nine\" is not known":                  {Scheme: "nine", RangeMM: 10},
		"needs the indicator's range_mm":                    {Scheme: calibrate.SchemeISO463},
		"the plan has 1 points; give at least two":          {Scheme: calibrate.SchemeOwn, PointsMM: []float64{1, 1}},
		"range_mm is -1; give millimetres":                  {Scheme: calibrate.SchemeISO463, RangeMM: -1},
		"points, more than 2000; take fewer runs":           {Scheme: calibrate.SchemeISO463, RangeMM: 10, Runs: 900},
		"a point lies at 1e+09 mm; give millimetres within": {Scheme: calibrate.SchemeOwn, PointsMM: []float64{0, 1e9}},
		"make no plan; one to three runs":                   {Scheme: calibrate.SchemeISO463, RangeMM: 10, Runs: -1},
	} {
		if _, err := calibrate.Plan(r); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", r, err, want)
		}
	}
}

// JIS B 7503:2011, dials of 50 mm and more, whole range, retrace, repeat in µm.
func TestDefaultLimits(t *testing.T) {
	for _, c := range []struct{ resolution, rangeMM, total, hysteresis, repeat, local float64 }{
		{0.01, 10, 0.015, 0.003, 0.003, 0.010}, {0.01, 0.8, 0.008, 0.003, 0.003, 0.008}, {0.01, 30, 0.030, 0.007, 0.005, 0.015},
		{0.001, 5, 0.010, 0.003, 0.001, 0}, {0.001, 1, 0.005, 0.002, 0.0005, 0}, {0.0005, 2, 0.007, 0.002, 0.0005, 0}, {0.002, 5, 0.012, 0.003, 0.003, 0},
	} {
		l := calibrate.DefaultLimits(c.resolution, c.rangeMM)
		if l[calibrate.Total] != c.total || l[calibrate.Hysteresis] != c.hysteresis || l[calibrate.Repeatability] != c.repeat || l[calibrate.Local] != c.local {
			t.Errorf("%g mm over %g mm: %v", c.resolution, c.rangeMM, l)
		}
	}
	if l := calibrate.DefaultLimits(0.001, 25); l != nil {
		t.Errorf("beyond the table: %v", l)
	}
}

// The whole table for dials of 50 mm and more, row by row.
func TestDefaultLimitsAreTheTable(t *testing.T) {
	text, err := os.ReadFile("testdata/jis_b7503_2011_mpe_um.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, row := range rows[1:] {
		if row[0] != "A" {
			continue
		}
		seen++
		number := func(s string) float64 {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		to := row[2][strings.LastIndexAny(row[2], "=-")+1:]
		l := calibrate.DefaultLimits(number(row[1]), number(to))
		for i, name := range []string{calibrate.Hysteresis, calibrate.Repeatability, "", "", "", calibrate.Total} {
			if want := number(row[3+i]) / 1000; name != "" && l[name] != want {
				t.Errorf("%v: %s %g, want %g", row, name, l[name], want)
			}
		}
	}
	if seen != 12 {
		t.Errorf("%d rows", seen)
	}
}

// A micrometer head at ±2.5 µm cannot certify a 3 µm indicator.
func TestReferenceTooCoarse(t *testing.T) {
	head := calibrate.Reference{Kind: "head", U95MM: 0.0025, Stated: true}
	limits := map[string]float64{calibrate.Total: 0.003, calibrate.Local: 0.012, calibrate.Repeatability: 0.0005}
	got := calibrate.TooCoarse(head, 10, limits)
	if len(got) != 1 || !strings.Contains(got[0], "error over the whole range: ±2.5 µm against 3 µm") {
		t.Errorf("%q", got)
	}
	if got := calibrate.TooCoarse(calibrate.Reference{U95MM: 0.0025}, 10, limits); got != nil {
		t.Errorf("not stated: %q", got)
	}
	long := calibrate.Reference{U95MM: 0.0003, PerM: 0.01, Stated: true}
	if got := calibrate.TooCoarse(long, 100, map[string]float64{calibrate.Total: 0.004}); len(got) != 1 {
		t.Errorf("a long reference: %q", got)
	}
}
