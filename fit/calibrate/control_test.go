package calibrate

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// Oracle: the printed table of the e-Handbook, 1.3.6.7.5, three check points, to
// its last digit. Its row of ν = 8 is misprinted: 3.0046 became 3.004. No other
// level serves that row together with its neighbours, and the density's integral
// (tailAbove) says the same.
func TestTStarTable(t *testing.T) {
	f, err := os.Open("testdata/nist_tstar.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := csv.NewReader(f)
	in.Comment = '#'
	rows, err := in.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 50 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows[1:] {
		nu, err := strconv.ParseFloat(row[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		if row[0] == "8" && row[1] == "3.004" {
			row[1] = "3.005"
		}
		printed, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		if got := strconv.FormatFloat(TStar(nu, 3), 'f', 3, 64); got != row[1] {
			t.Errorf("ν %s: t* %s, the table has %s", row[0], got, row[1])
		}
		half := (1 - math.Cbrt(0.95)) / 2
		if below, above := tailAbove(printed-0.0005, nu), tailAbove(printed+0.0005, nu); below < half || above > half {
			t.Errorf("ν %s: beyond %s±0.0005 lie %.6f to %.6f, want %.6f", row[0], row[1], below, above, half)
		}
	}
	for _, bad := range []float64{TStar(0, 3), TStar(5, 0), TStar(math.NaN(), 3)} {
		if !math.IsNaN(bad) {
			t.Errorf("t* of nothing is %v", bad)
		}
	}
}

// tailAbove integrates Student's density from 0 to x by Simpson's rule, in
// x = √ν·tan φ, where it is cos^(ν−1) φ.
func tailAbove(x, nu float64) float64 {
	area := func(to float64) (sum float64) {
		const n = 2000
		h := to / n
		for i := range n {
			at := float64(i) * h
			sum += h / 6 * (math.Pow(math.Cos(at), nu-1) + 4*math.Pow(math.Cos(at+h/2), nu-1) + math.Pow(math.Cos(at+h), nu-1))
		}
		return sum
	}
	return 0.5 - area(math.Atan(x/math.Sqrt(nu)))/area(math.Pi/2)/2
}

// Oracle: the definition, by 40,000 charts of five and ten checks.
func TestRangeDOF(t *testing.T) {
	draw := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{5, 10, 30} {
		var sum, squares float64
		const charts = 40_000
		for range charts {
			moves, last := 0.0, draw.NormFloat64()
			for range n - 1 {
				next := draw.NormFloat64()
				moves, last = moves+math.Abs(next-last), next
			}
			sigma := moves / float64(n-1) / rangeD2
			sum, squares = sum+sigma, squares+sigma*sigma
		}
		mean := sum / charts
		spread := math.Sqrt(squares/charts-mean*mean) / mean
		c := c4(rangeDOF(n))
		if want := math.Sqrt(1/(c*c) - 1); math.Abs(spread/want-1) > 0.015 || math.Abs(mean-1) > 0.01 {
			t.Errorf("%d checks: σ is %.4f on average and spreads by %.4f, want 1 and %.4f", n, mean, spread, want)
		}
	}
}

func normalChecks(draw *rand.Rand, n int, sigma float64) []Check {
	out := make([]Check, n)
	for i := range out {
		out[i] = Check{Days: float64(i), DeviationMM: sigma * draw.NormFloat64()}
	}
	return out
}

// While nothing changes, twenty checks after the base stay inside with 95 % or
// more: t* is made for independent standard deviations, and one that they share
// makes it a little more. A drift is claimed in 5 %.
func TestChartFalseAlarms(t *testing.T) {
	draw := rand.New(rand.NewPCG(3, 4))
	for _, base := range []int{5, 10, 25} {
		alarms, drifts := 0, 0
		const charts = 4000
		for range charts {
			c := ChartWith(normalChecks(draw, base+20, 0.001), ChartOptions{Base: base, ResolutionMM: 1e-6})
			for _, p := range c.Points[base:] {
				if p.Outside {
					alarms++
					break
				}
			}
			if c.Drift.Significant {
				drifts++
			}
		}
		// ±0.8 % is over two standard deviations of 4,000 charts
		if rate := 100 * float64(alarms) / charts; rate > 5.8 || rate < 0.5 {
			t.Errorf("base %d: false alarms in %.2f %% of charts", base, rate)
		}
		if rate := 100 * float64(drifts) / charts; math.Abs(rate-5) > 0.9 {
			t.Errorf("base %d: drift claimed in %.2f %% of charts", base, rate)
		}
	}
}

func TestChartSeesAStep(t *testing.T) {
	checks := normalChecks(rand.New(rand.NewPCG(5, 6)), 20, 0.001)
	if c := Chart(checks); c.State != Steady {
		t.Errorf("nothing changed: %s", c.State)
	}
	checks[19].DeviationMM += 0.010
	if c := Chart(checks); c.State != Outside || !c.Points[19].Outside || c.Points[18].Outside {
		t.Errorf("ten standard deviations off: %s", c.State)
	}
	checks[19].DeviationMM -= 0.010
	if c := ChartWith(checks, ChartOptions{LimitMM: math.Abs(checks[19].DeviationMM) / 2}); c.State != Outside || !c.Points[19].Beyond {
		t.Errorf("beyond the shop's own limit: %s", c.State)
	}
}

// A display of 1 µm that shows the same for weeks has no scatter to tell; one
// step up or down is no news, two steps are.
func TestChartOfASteadyDisplay(t *testing.T) {
	checks := make([]Check, 12)
	for i := range checks {
		checks[i].Days = float64(i)
	}
	if c := Chart(checks); c.UpperMM != nil || c.State != TooFew {
		t.Errorf("no step known, no scatter: limit %v, %s", c.UpperMM, c.State)
	}
	o := ChartOptions{ResolutionMM: 0.001}
	for steps, want := range []string{Steady, Steady, Outside} {
		checks[11].DeviationMM = float64(steps) * 0.001
		if c := ChartWith(checks, o); c.State != want {
			t.Errorf("%d steps: %s, want %s (limit %v)", steps, c.State, want, *c.UpperMM)
		}
	}
}

// However long the base, one step of the display is never outside.
func TestChartOfALongSteadyBase(t *testing.T) {
	checks := make([]Check, 101)
	for i := range checks {
		checks[i].Days = float64(i)
	}
	checks[100].DeviationMM = 0.001
	c := ChartWith(checks, ChartOptions{Base: 100, ResolutionMM: 0.001})
	if half := (*c.UpperMM - *c.LowerMM) / 2; c.State == Outside || *c.TStar*c4(*c.SigmaDOF)**c.SigmaMM > half {
		t.Errorf("one step: %s with limits ± %g", c.State, half)
	}
}

func TestChartOfFew(t *testing.T) {
	if c := Chart(nil); c.State != TooFew || c.Points == nil || c.Drift != nil {
		t.Errorf("no checks: %+v", c)
	}
	if c := Chart([]Check{{0, 0.001}, {1, 0.002}, {2, 0.001}, {3, 0.002}}); c.State != TooFew || c.UpperMM != nil || c.Drift == nil {
		t.Errorf("four checks: %+v", c)
	}
	if c := Chart([]Check{{7, 0.001}, {7, 0.002}, {7, 0.001}}); c.Drift != nil {
		t.Errorf("three on one day: %+v", c.Drift)
	}
}

// Worked by hand: y = 0, 1, 1, 3, 2 µm on days 0…4: mean 1.4, Σx² = 10, Σxy = 6,
// slope 0.6 µm a day; residuals −0.2, 0.2, −0.4, 1, −0.6: Σ = 1.6, s = √(1.6/3) = 0.7303,
// t(3) = 3.18245: u95 0.7350. Not significant. The limit 5 µm: reached where
// 1.4 + 0.6 (d − 2) = 5: day 8, were it.
func TestDriftByHand(t *testing.T) {
	c := ChartWith([]Check{{2, 0.001}, {0, 0}, {1, 0.001}, {3, 0.003}, {4, 0.002}}, ChartOptions{LimitMM: 0.005, ResolutionMM: 1e-5})
	d := c.Drift
	if math.Abs(d.MMPerDay-0.0006) > 1e-12 || math.Abs(d.U95MMPerDay-0.000734955) > 1e-8 || d.DOF != 3 || d.Significant || d.LeavesDay != nil {
		t.Errorf("%+v", d)
	}
	var long []Check
	for i := range 40 { // the same slope, seen for longer
		long = append(long, Check{float64(i) / 4, 0.0006*float64(i)/4 + 0.0002*float64(i%2)})
	}
	d = ChartWith(long, ChartOptions{LimitMM: 0.012}).Drift
	if !d.Significant || d.LeavesDay == nil || math.Abs(*d.LeavesDay-(0.0119/0.0006)) > 0.5 || *d.EarliestDay >= *d.LeavesDay || *d.EarliestDay < 18 {
		t.Errorf("%+v", d)
	}
	if d = ChartWith(long, ChartOptions{LimitMM: 0.004}).Drift; *d.LeavesDay != 9.75 {
		t.Errorf("already beyond: leaves on day %v, not on that of the last check", *d.LeavesDay)
	}
}
