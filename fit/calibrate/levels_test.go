package calibrate

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// publicRows reads the rows of numbers below the head of a public data file.
func publicRows(t *testing.T, name string, columns int) (rows [][]float64) {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	in := bufio.NewScanner(bytes.NewReader(b))
	for n := 1; in.Scan(); n++ {
		words := strings.Fields(in.Text())
		if n <= 50 || len(words) != columns {
			continue
		}
		row := make([]float64, 0, columns)
		for _, w := range words {
			if v, err := strconv.ParseFloat(w, 64); err == nil {
				row = append(row, v)
			}
		}
		if len(row) == columns {
			rows = append(rows, row)
		}
	}
	return rows
}

// gaugeStudies are MPC61 by probe and as a whole, CHECK_STD by wiring; each mean is of six readings.
func gaugeStudies(t *testing.T) map[string][]Occasion {
	out := map[string][]Occasion{}
	mpc := publicRows(t, "MPC61.DAT", 9)
	if len(mpc) != 300 {
		t.Fatalf("MPC61.DAT has %d rows", len(mpc))
	}
	for _, r := range mpc {
		o := Occasion{Artefact: fmt.Sprint(r[1]), Run: int(r[0]), Mean: r[7], SD: r[8], N: 6}
		name := fmt.Sprintf("MPC61/%.0f", r[2])
		out[name] = append(out[name], o)
		o.Artefact += " " + name
		out["MPC61/all"] = append(out["MPC61/all"], o)
	}
	check := publicRows(t, "CHECK_STD.DAT", 10)
	if len(check) != 30 {
		t.Fatalf("CHECK_STD.DAT has %d rows", len(check))
	}
	for _, r := range check {
		for i, name := range []string{"CHECK_STD/A", "CHECK_STD/B", "CHECK_STD/A", "CHECK_STD/B"} {
			out[name] = append(out[name], Occasion{Artefact: fmt.Sprint(r[0]), Run: 1 + i/2, Mean: r[2+2*i], SD: r[3+2*i], N: 6})
		}
	}
	return out
}

// Oracle: testdata/levels.py, the definitions in Python's standard library.
func TestLevelsOfPublicStudies(t *testing.T) {
	studies := gaugeStudies(t)
	told, err := exec.Command("python3", "testdata/levels.py").Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(told)), "\n")
	if len(lines) != len(studies) || len(lines) != 8 {
		t.Fatalf("%d studies, the script tells of %d", len(studies), len(lines))
	}
	for _, l := range lines {
		var name string
		var s [3]float64
		var dof [3]int
		if _, err := fmt.Sscan(l, &name, &s[0], &dof[0], &s[1], &dof[1], &s[2], &dof[2]); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
		got, err := Levels(studies[name])
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i, level := range []*Level{got.Level1, got.Level2, got.Level3} {
			// both sum 30 to 300 squares of means near 100 that are known to 16 digits
			if math.Abs(level.SD/s[i]-1) > 1e-10 || level.DOF != dof[i] {
				t.Errorf("%s level %d: %.15g with %d, the script has %.15g with %d", name, i+1, level.SD, level.DOF, s[i], dof[i])
			}
		}
	}
}

func TestLevelsRefuseUnequal(t *testing.T) {
	good := []Occasion{{"a", 1, 1, 0.1, 2}, {"a", 1, 2, 0.1, 2}, {"a", 2, 3, 0.1, 2}, {"a", 2, 5, 0.1, 2}}
	r, err := Levels(good)
	// by hand: level 2 √((0.5 + 2)/2), level 3 √(2.5²/2); single √(3.125 + 1.25/2 + 0.01/2)
	if err != nil || math.Abs(r.Level2.SD-math.Sqrt(1.25)) > 1e-12 || math.Abs(r.Level3.SD-math.Sqrt(3.125)) > 1e-12 || math.Abs(r.Single-math.Sqrt(3.755)) > 1e-12 {
		t.Errorf("%+v %v", r, err)
	}
	// χ² of 2: quantiles −2 ln(1 − p): Low √(2.5/7.37776), High √(2.5/0.0506356)
	if math.Abs(r.Level2.Low-0.582113) > 1e-5 || math.Abs(r.Level2.High-7.026558) > 1e-4 {
		t.Errorf("level 2 lies in %v to %v", r.Level2.Low, r.Level2.High)
	}
	if r, err = Levels(good[:1]); err != nil || r.Level2 != nil || r.Level3 != nil || r.Level1.DOF != 1 {
		t.Errorf("one occasion: %+v %v", r, err)
	}
	for name, bad := range map[string][]Occasion{
		"nothing":             nil,
		"an occasion less":    good[:3],
		"a run less":          append(good[:4:4], Occasion{"b", 1, 1, 0.1, 2}, Occasion{"b", 1, 1, 0.1, 2}),
		"a reading more":      {{"a", 1, 1, 0.1, 2}, {"a", 1, 2, 0.1, 3}},
		"single readings":     {{"a", 1, 1, 0, 1}},
		"a negative scatter":  {{"a", 1, 1, -0.1, 2}},
		"a scatter not known": {{"a", 1, 1, math.NaN(), 2}},
	} {
		if _, err := Levels(bad); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
