package fit

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

func table(t *testing.T, path string) (y []float64, columns [][]float64) {
	t.Helper()
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(src, []byte("\ufeff"))))
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, rec := range records[1:] {
		row := make([]float64, len(rec))
		for i, s := range rec {
			if row[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		y, columns = append(y, row[0]), append(columns, row[1:])
	}
	return y, columns
}

// digits is how many digits of a value are right.
func digits(got, want float64) float64 {
	if got == want {
		return 16
	}
	if want == 0 {
		return -math.Log10(math.Abs(got))
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

// The certified regression sets through the solver that the parabola uses:
// nine digits and more, or as many as the condition of the set leaves of
// sixteen (−log10(cond·ε); both are logged). Oracle: testdata/regression.
func TestCertifiedRegressions(t *testing.T) {
	src, err := os.ReadFile("testdata/regression/certified.json")
	if err != nil {
		t.Fatal(err)
	}
	var sets map[string]struct {
		B, SE []string
		RSD   string
	}
	if err := json.Unmarshal(src, &sets); err != nil {
		t.Fatal(err)
	}
	if len(sets) < 7 {
		t.Fatalf("only %d sets", len(sets))
	}
	for name, set := range sets {
		y, given := table(t, "testdata/regression/"+strings.ToLower(name)+".csv")
		p := len(set.B)
		var rows []float64
		for _, x := range given {
			switch {
			case strings.HasPrefix(name, "NoInt"):
				rows = append(rows, x[0])
			case strings.HasPrefix(name, "Wampler"):
				for k := range p {
					rows = append(rows, math.Pow(x[0], float64(k)))
				}
			default:
				rows = append(append(rows, 1), x...)
			}
		}
		got, err := leastSquares(rows, p, y, float64(len(y)-p))
		if err != nil {
			t.Fatal(name, err)
		}
		worst := 16.0
		number := func(s string) float64 {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		for i := range p {
			worst = math.Min(worst, digits(got.coef[i], number(set.B[i])))
			if se := number(set.SE[i]); se != 0 {
				worst = math.Min(worst, digits(math.Sqrt(got.cov.At(i, i)), se))
			}
		}
		if rsd := number(set.RSD); rsd != 0 {
			worst = math.Min(worst, digits(got.sd, rsd))
		}
		limit := -math.Log10(got.cond * 0x1p-52)
		t.Logf("%s: %.1f digits; condition %.2g leaves %.1f", name, worst, got.cond, limit)
		if worst < math.Min(9, limit) {
			t.Errorf("%s: %.1f digits, asked 9, or %.1f by its condition", name, worst, limit)
		}
	}
}

// GUM H.3 (JCGM 100:2008): the thermometer's calibration line to its printed
// digits: y1 = −0.1712(29), y2 = 0.00218(67), r = −0.930, b(30 °C) = −0.1494(41).
func TestThermometerLine(t *testing.T) {
	temperature, correction := table(t, "testdata/gum/gum_h3_thermometer.csv")
	var rows, b []float64
	for i, at := range temperature {
		rows, b = append(rows, 1, at-20), append(b, correction[i][0])
	}
	got, err := leastSquares(rows, 2, b, float64(len(b)-2))
	if err != nil {
		t.Fatal(err)
	}
	u1, u2, cov := math.Sqrt(got.cov.At(0, 0)), math.Sqrt(got.cov.At(1, 1)), got.cov.At(0, 1)
	at30 := got.coef[0] + 10*got.coef[1]
	u30 := math.Sqrt(u1*u1 + 100*u2*u2 + 20*cov)
	printed := fmt.Sprintf("%.4f %.4f %.5f %.5f %.3f %.4f %.4f", got.coef[0], u1, got.coef[1], u2, cov/u1/u2, at30, u30)
	if want := "-0.1712 0.0029 0.00218 0.00067 -0.930 -0.1494 0.0041"; printed != want {
		t.Errorf("%s, printed %s", printed, want)
	}
}

func TestLeastSquaresRefuses(t *testing.T) {
	if _, err := leastSquares([]float64{1, 2}, 2, []float64{1}, 1); err == nil {
		t.Error("fewer rows than columns")
	}
	if _, err := leastSquares([]float64{1, 0, 1, 0, 1, 0}, 2, []float64{1, 2, 3}, 1); err == nil {
		t.Error("a column of nothing")
	}
	if got, err := leastSquares([]float64{1, 2, 1, 2, 1, 2}, 2, []float64{1, 2, 3}, 1); err == nil && got.cond < 1e14 {
		t.Error("two equal columns")
	}
}
