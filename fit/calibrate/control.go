package calibrate

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Check is one reading on one reference between calibrations.
type Check struct {
	Days        float64 `json:"days"`         // since whatever moment; only differences count
	DeviationMM float64 `json:"deviation_mm"` // reading less reference
}

// ChartOptions say what is known beside the checks. The zero value is of use.
type ChartOptions struct {
	Base         int     // the first checks, from which the limits are made; 0: ten
	ForChecks    int     // how many checks the limits are made for; 0: twenty
	ResolutionMM float64 // of the display; 0: learnt from the checks
	LimitMM      float64 // the shop's own limit of a deviation, ±; 0: none
}

const (
	chartBase   = 10
	chartFewest = 5 // of less no limits are made
	chartFor    = 20
)

// Chart states.
const (
	TooFew   = "too_few"  // no limits yet
	Steady   = "steady"   // the latest check is within the limits, and no drift is seen
	Drifting = "drifting" // within the limits, but the checks move one way
	Outside  = "outside"  // the latest check is outside the limits, or outside the shop's own
)

// ChartPoint is a check on its chart.
type ChartPoint struct {
	Check
	Base    bool `json:"base"`    // the limits are made from it
	Outside bool `json:"outside"` // of the chart's limits
	Beyond  bool `json:"beyond"`  // the shop's own limit
}

// ChartResult is a control chart of single checks. Unknown is null.
type ChartResult struct {
	State    string       `json:"state"`
	Points   []ChartPoint `json:"points"` // by day
	CentreMM *float64     `json:"centre_mm"`
	SigmaMM  *float64     `json:"sigma_mm"`  // of one check, from the moving range
	SigmaDOF *float64     `json:"sigma_dof"` // how many degrees of freedom stand behind it
	TStar    *float64     `json:"t_star"`
	LowerMM  *float64     `json:"lower_mm"`
	UpperMM  *float64     `json:"upper_mm"`
	// ForChecks: while nothing changes, so many checks after the base period all
	// stay within the limits with 95 %.
	ForChecks int          `json:"for_checks"`
	LimitMM   *float64     `json:"limit_mm"` // the shop's own
	Drift     *DriftResult `json:"drift"`    // null with less than three checks on differing days
	Rule      string       `json:"rule"`     // how the limits are made, in words
}

// TStar is the limit of the largest of m checks in standard deviations that are
// known with nu degrees of freedom: t at 1 − a/2 with a = 1 − 0.95^(1/m), so that
// m independent checks all stay within it with 95 % (with less doubt where they share one
// standard deviation). nu > 0, m ≥ 1; else NaN.
//
// Source: NIST/SEMATECH e-Handbook 1.3.6.7.5, which tables m = 3.
func TStar(nu float64, m int) float64 {
	if !(nu > 0) || m < 1 {
		return math.NaN()
	}
	tail := -math.Expm1(math.Log(0.95)/float64(m)) / 2
	return -distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(tail)
}

// Chart is ChartWith of nothing but the checks.
func Chart(checks []Check) ChartResult { return ChartWith(checks, ChartOptions{}) }

// ChartWith makes a control chart of single checks, in whatever order, each
// finite: the centre is the mean of the base period, σ its mean moving range by
// rangeD2 = 2/√π, and the limits
//
//	centre ± t*(ν, m)·c4(ν)·σ·√(1 + 1/n),
//
// where ν are the degrees of freedom behind σ, m the checks they are made for (twenty:
// 0.26 % each, as with the usual three σ, but fair to a short base), n the base and c4 turns the unbiased σ
// into the root mean square that t wants. They are never nearer than one step of
// the display: a reading that fell to the other side of a step says nothing.
// Sources: e-Handbook 6.3.2.2 (individuals), 1.3.6.7.5 (t*); ν in rangeDOF.
func ChartWith(checks []Check, o ChartOptions) ChartResult {
	c := ChartResult{State: TooFew, Points: []ChartPoint{}, ForChecks: orElse(o.ForChecks, chartFor)}
	c.Rule = chartRule(c.ForChecks)
	if o.LimitMM > 0 {
		c.LimitMM = &o.LimitMM
	}
	for _, k := range slices.SortedStableFunc(slices.Values(checks), byDay) {
		c.Points = append(c.Points, ChartPoint{Check: k, Beyond: o.LimitMM > 0 && math.Abs(k.DeviationMM) > o.LimitMM+hairMM})
	}
	step := o.ResolutionMM
	if step == 0 {
		step = smallestStep(checks)
	}
	c.limits(min(orElse(o.Base, chartBase), len(checks)), step)
	c.Drift = c.drift(step)
	c.judge()
	return c
}

// chartRule is English for people.
func chartRule(checks int) string {
	return fmt.Sprintf("The limits are made from the first checks: while nothing changes, the next %d all stay within them with 95 %%.", checks)
}

// hairMM is less than any display tells.
const hairMM = 1e-9

func orElse(v, otherwise int) int {
	if v > 0 {
		return v
	}
	return otherwise
}

func byDay(a, b Check) int {
	switch {
	case a.Days < b.Days:
		return -1
	case a.Days > b.Days:
		return 1
	}
	return 0
}

// smallestStep is the smallest difference of two deviations, 0 where all are one.
func smallestStep(checks []Check) (mm float64) {
	sorted := slices.SortedFunc(slices.Values(checks), func(a, b Check) int {
		return byDay(Check{Days: a.DeviationMM}, Check{Days: b.DeviationMM})
	})
	for i := 1; i < len(sorted); i++ {
		if d := sorted[i].DeviationMM - sorted[i-1].DeviationMM; d > hairMM && (mm == 0 || d < mm) {
			mm = d
		}
	}
	return mm
}

// limits makes centre, σ and limits of the first n checks; none with less than
// five, or where neither the display's step nor any scatter is known.
func (c *ChartResult) limits(n int, stepMM float64) {
	if n < chartFewest {
		return
	}
	var sum, moves float64
	for i := range n {
		c.Points[i].Base = true
		sum += c.Points[i].DeviationMM
		if i > 0 {
			moves += math.Abs(c.Points[i].DeviationMM - c.Points[i-1].DeviationMM)
		}
	}
	centre := sum / float64(n)
	sigma := math.Max(moves/float64(n-1)/rangeD2, stepMM/math.Sqrt(12))
	if sigma == 0 {
		return
	}
	nu := rangeDOF(n)
	t := TStar(nu, c.ForChecks)
	half := math.Max(t*c4(nu)*sigma*math.Sqrt(1+1/float64(n)), stepMM)
	lower, upper := centre-half, centre+half
	c.CentreMM, c.SigmaMM, c.SigmaDOF, c.TStar, c.LowerMM, c.UpperMM = &centre, &sigma, &nu, &t, &lower, &upper
	for i := range c.Points {
		p := &c.Points[i]
		p.Outside = math.Abs(p.DeviationMM-centre) > half+hairMM
	}
}

// judge says what the latest check and the drift mean.
func (c *ChartResult) judge() {
	if len(c.Points) == 0 {
		return
	}
	switch last := c.Points[len(c.Points)-1]; {
	case last.Outside || last.Beyond:
		c.State = Outside
	case c.LowerMM == nil:
		c.State = TooFew
	case c.Drift != nil && c.Drift.Significant:
		c.State = Drifting
	default:
		c.State = Steady
	}
}

// rangeD2 is the mean range of two readings of standard deviation 1.
const rangeD2 = 2 / math.SqrtPi

// rangeDOF are the degrees of freedom of a standard deviation from the moving
// range of n independent normal readings, n ≥ 2: those of the χ with the same
// relative spread. Each range has the variance 2 − 4/π, and two that share a
// reading the covariance (4/π)(√3/2 + π/12) − 4/π (bivariate normal, correlation −1/2).
func rangeDOF(n int) float64 {
	own := 2 - 4/math.Pi
	shared := 4 / math.Pi * (math.Sqrt(3)/2 + math.Pi/12 - 1)
	k := float64(n - 1)
	want := (k*own + 2*(k-1)*shared) / (k * k) / (rangeD2 * rangeD2)
	lo, hi := 0.1, 4*k
	for range 60 { // the spread falls with the degrees of freedom
		mid := (lo + hi) / 2
		if c := c4(mid); 1/(c*c)-1 > want {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// c4 is the mean of a standard deviation of nu degrees of freedom, true value 1.
func c4(nu float64) float64 {
	a, _ := math.Lgamma((nu + 1) / 2)
	b, _ := math.Lgamma(nu / 2)
	return math.Sqrt(2/nu) * math.Exp(a-b)
}
