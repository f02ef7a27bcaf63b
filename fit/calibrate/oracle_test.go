package calibrate_test

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"crownmark/fit/calibrate"
	"crownmark/fit/pointcsv"
)

// oracle is what testdata/characteristics.py writes.
type oracle struct {
	Errors                                             []float64
	Total, Local, Hysteresis, Repeatability, Linearity *float64
	Correction                                         [][2]float64
}

// Every characteristic, error and knot is that of an independent calculation in
// exact fractions, to the last printed digit: public sets and the one worked by
// hand.
func TestAgainstAnIndependentCalculation(t *testing.T) {
	for _, file := range []string{"calibrationline", "loadcell", "handworked"} {
		for _, span := range []float64{1, 2.5} {
			path := "testdata/" + file + ".csv"
			want := asked(t, path, span)
			o := calibrate.DefaultOptions()
			o.LocalSpanMM = span
			got, err := calibrate.Evaluate(points(t, path), o)
			if err != nil {
				t.Fatal(err)
			}
			for i, c := range []*float64{want.Total, want.Local, want.Hysteresis, want.Repeatability, want.Linearity} {
				if g := got.Characteristics()[i]; printed(g.ValueMM) != printed(c) {
					t.Errorf("%s, span %g: %s %s, want %s", file, span, g.Name, printed(g.ValueMM), printed(c))
				}
			}
			for i, e := range want.Errors {
				if g := got.Points[i].ErrorMM; printed(&g) != printed(&e) {
					t.Errorf("%s: error %d is %v, want %v", file, i, g, e)
				}
			}
			if len(got.Correction) != len(want.Correction) {
				t.Fatalf("%s: %d knots, want %d", file, len(got.Correction), len(want.Correction))
			}
			for i, k := range want.Correction {
				g := got.Correction[i]
				if printed(&g.ReadingMM) != printed(&k[0]) || printed(&g.CorrectionMM) != printed(&k[1]) {
					t.Errorf("%s: knot %d is %v, want %v", file, i, g, k)
				}
			}
		}
	}
}

func printed(v *float64) string {
	if v == nil {
		return "null"
	}
	return strconv.FormatFloat(*v, 'g', -1, 64)
}

func asked(t *testing.T, path string, span float64) oracle {
	t.Helper()
	text, err := exec.Command("python3", "testdata/characteristics.py", path, fmt.Sprint(span)).Output()
	if err != nil {
		t.Fatal(err)
	}
	var o oracle
	if err := json.Unmarshal(text, &o); err != nil {
		t.Fatal(err)
	}
	return o
}

func points(t *testing.T, path string) []calibrate.Point {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	file, err := pointcsv.Read(path, f)
	if err != nil {
		t.Fatal(err)
	}
	return file.Points
}

// The figures of fit/CALIBRATION.md, worked by hand there.
func TestWorkedByHand(t *testing.T) {
	got, err := calibrate.Evaluate(points(t, "testdata/handworked.csv"), calibrate.DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.006, 0.006, 0.003, 0.002, 0.00375} {
		if c := got.Characteristics()[i]; c.ValueMM == nil || *c.ValueMM != want {
			t.Errorf("%s: %s, want %g", c.Name, printed(c.ValueMM), want)
		}
	}
	for i, want := range [][2]float64{{0.001, -0.001}, {1.00425, -0.00425}, {2.0015, -0.0015}} {
		if k := got.Correction[i]; k.ReadingMM != want[0] || k.CorrectionMM != want[1] {
			t.Errorf("knot %d: %v, want %v", i, k, want)
		}
	}
}
