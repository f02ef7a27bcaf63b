package calibrate

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// truth of a virtual study: standard deviations in degrees.
type studyTruth struct {
	p, o, m, r int
	sd         [nTerms]float64
}

// rows draws one study.
func (s studyTruth) rows(draw *rand.Rand) (out []StudyRow) {
	normal := func(k, n int) []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = s.sd[k] * draw.NormFloat64()
		}
		return v
	}
	part, person, mount := normal(tPart, s.p), normal(tPerson, s.o), normal(tMount, s.o*s.m)
	pair, cell := normal(tPartBy, s.p*s.o), normal(tPartMount, s.p*s.o*s.m)
	for i := range s.p * s.o * s.m * s.r {
		k := i / s.r
		p, o, m := k/s.m/s.o, k/s.m%s.o, k%s.m
		out = append(out, StudyRow{
			fmt.Sprint(p + 1), string(rune('A' + o)), fmt.Sprint(m + 1), fmt.Sprint(i%s.r + 1),
			part[p] + person[o] + mount[o*s.m+m] + pair[p*s.o+o] + cell[k] + s.sd[tRepeat]*draw.NormFloat64(),
		})
	}
	return out
}

// ordinary is a bench: a crank's throws, people who differ little.
func ordinary(p, o, m, r int) studyTruth {
	return studyTruth{p, o, m, r, [nTerms]float64{tPart: 0.2, tPerson: 0.01, tMount: 0.006, tPartBy: 0.008, tPartMount: 0.01, tRepeat: 0.008}}
}

// wafers are MPC61's 300 values: wafer, probe, run, day.
func wafers(t *testing.T) (out []StudyRow) {
	count := map[string]int{}
	for _, r := range publicRows(t, "MPC61.DAT", 9) {
		at := fmt.Sprint(r[1], r[2], r[0])
		count[at]++
		out = append(out, StudyRow{fmt.Sprint(r[1]), fmt.Sprint(r[2]), fmt.Sprint(r[0]), fmt.Sprint(count[at]), r[7]})
	}
	return out
}

// Oracle: testdata/study.py, the definitions in Python's standard library.
func TestStudyByDefinition(t *testing.T) {
	draw := rand.New(rand.NewPCG(7, 8))
	small := ordinary(3, 2, 2, 2)
	small.sd[tPartBy], small.sd[tMount] = 0, 0 // some come out below zero
	zeroed := 0
	for name, rows := range map[string][]StudyRow{"MPC61": wafers(t), "bench": ordinary(8, 3, 3, 2).rows(draw), "small": small.rows(draw), "smaller": small.rows(draw)} {
		var in bytes.Buffer
		fmt.Fprintln(&in, "part,person,mount,repeat,value_deg")
		for _, r := range rows {
			fmt.Fprintf(&in, "%s,%s,%s,%s,%.17g\n", r.Part, r.Person, r.Mount, r.Repeat, r.ValueDeg)
		}
		script := exec.Command("python3", "testdata/study.py")
		script.Stdin = &in
		told, err := script.Output()
		if err != nil {
			t.Fatal(err)
		}
		s, err := Study(rows, StudyOptions{})
		if err != nil {
			t.Fatal(err)
		}
		got := flat(s)
		lines := strings.Split(strings.TrimSpace(string(told)), "\n")
		if len(lines) != len(got) {
			t.Errorf("%s: %d figures, the script has %d", name, len(got), len(lines))
		}
		for _, l := range lines {
			var what string
			var want float64
			if _, err := fmt.Sscan(l, &what, &want); err != nil {
				t.Fatalf("%q: %v", l, err)
			}
			if v, ok := got[what]; !ok || math.Abs(v-want) > 1e-9*math.Abs(want)+1e-12 {
				t.Errorf("%s: %s is %.15g, the script has %.15g", name, what, v, want)
			}
		}
		for _, c := range s.Components {
			if c.Zeroed {
				zeroed++
			}
		}
	}
	if zeroed == 0 {
		t.Error("no component came out below zero: the case is not in these studies")
	}
}

// flat names a study's figures as the script does.
func flat(s StudyResult) map[string]float64 {
	got := map[string]float64{
		"repeatability": s.RepeatabilityDeg.Value, "reproducibility": s.ReproducibilityDeg.Value, "gauge": s.GaugeDeg.Value,
		"total": s.TotalDeg.Value, "percent": s.GaugeOfTotalPercent.Value, "categories": s.Categories.Value,
	}
	for _, a := range s.Anova {
		name := strings.ReplaceAll(a.Source, " ", "")
		got["ss/"+name], got["dof/"+name] = a.SquaresDeg, float64(a.DOF)
	}
	for _, c := range s.Components {
		got["sd/"+strings.ReplaceAll(c.Source, " ", "")] = c.Deg.Value
	}
	return got
}

// True figures lie within the bounds in 95 % of virtual studies. Where a variance
// is near zero its lower bound always holds, so that 97.5 % are in order.
func TestStudyCovers(t *testing.T) {
	draw := rand.New(rand.NewPCG(9, 10))
	for _, truth := range []studyTruth{ordinary(4, 2, 2, 2), ordinary(6, 3, 3, 2), ordinary(8, 3, 2, 3)} {
		const studies, draws = 500, 1000
		var v variances
		for k, sd := range truth.sd {
			v.by[k] = sd * sd
			switch k {
			case tPart:
				v.parts = sd * sd
				continue
			case tRepeat:
				v.repeats += sd * sd
			default:
				v.reproduced += sd * sd
			}
			v.gauge += sd * sd
		}
		v.all = v.gauge + v.parts
		want := figuresOf(v)
		var inside [nFigures]int
		var chi2 [nTerms][]float64
		for range studies {
			c, err := layStudy(truth.rows(draw))
			if err != nil {
				t.Fatal(err)
			}
			var x mix
			table := c.anova()
			x.w, x.ok = c.components(table)
			if chi2[0] == nil {
				chi2 = chiSquares(table, draws)
			}
			low, high := intervals(table, x, chi2)
			for k := range want {
				if low[k] <= want[k] && want[k] <= high[k] {
					inside[k]++
				}
			}
		}
		for k, n := range inside {
			rate := 100 * float64(n) / studies
			t.Logf("%d parts %d people %d mountings %d repeats: figure %d in %.1f %%", truth.p, truth.o, truth.m, truth.r, k, rate)
			if rate < 91.5 || rate > 99 { // three standard deviations of 500 studies about 94 to 97
				t.Errorf("figure %d lies within its bounds in %.1f %%", k, rate)
			}
		}
	}
}

// Oracle: χ², which bounds the repeats' own standard deviation exactly.
func TestStudyRepeatsByChiSquared(t *testing.T) {
	s, err := Study(ordinary(5, 2, 2, 3).rows(rand.New(rand.NewPCG(11, 12))), StudyOptions{IndexLimitDeg: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	last := s.Anova[len(s.Anova)-1]
	chi := distuv.ChiSquared{K: float64(last.DOF)}
	low, high := math.Sqrt(last.SquaresDeg/chi.Quantile(0.975)), math.Sqrt(last.SquaresDeg/chi.Quantile(0.025))
	// one draw of each of 5,000 equal shares: a 2.5 % quantile is good to 0.4 %
	if r := s.RepeatabilityDeg; math.Abs(r.Low/low-1) > 0.01 || math.Abs(*r.High/high-1) > 0.01 {
		t.Errorf("repeatability lies in %v to %v, want %v to %v", r.Low, *r.High, low, high)
	}
	if got, want := s.GaugeOfTolerancePercent.Value, 600*s.GaugeDeg.Value; math.Abs(got-want) > 1e-9 {
		t.Errorf("gauge is %v %% of the tolerance, want 6 σ of 1°: %v", got, want)
	}
}

// Designs with one of something: what can still be told is, the rest is null and
// said. By hand for two parts in one mounting of one person: 1, 3 and 6, 8: repeat
// MS 2, part MS 25: repeat √2, part √(23/2).
func TestStudyOfLess(t *testing.T) {
	by := func(values ...float64) (rows []StudyRow) {
		for i, v := range values {
			rows = append(rows, StudyRow{fmt.Sprint(i / 2), "A", "1", fmt.Sprint(i % 2), v})
		}
		return rows
	}
	s, err := Study(by(1, 3, 6, 8), StudyOptions{})
	if err != nil || s.ReproducibilityDeg != nil || math.Abs(s.RepeatabilityDeg.Value-math.Sqrt2) > 1e-12 || math.Abs(s.PartDeg.Value-math.Sqrt(11.5)) > 1e-12 || len(s.Notes) != 2 {
		t.Errorf("%+v %v", s, err)
	}
	if s, err = Study(by(1, 1, 6, 6), StudyOptions{}); err != nil || s.Categories != nil || s.GaugeDeg.Value != 0 {
		t.Errorf("no scatter: %+v %v", s, err)
	}
	draw := rand.New(rand.NewPCG(13, 14))
	for _, d := range []struct {
		p, o, m, r int
		components int
		repeatable bool
	}{{3, 2, 2, 1, 5, false}, {3, 2, 1, 2, 4, true}, {3, 1, 3, 2, 4, true}, {3, 2, 1, 1, 3, false}, {3, 1, 2, 1, 3, false}} {
		truth := ordinary(d.p, d.o, d.m, d.r)
		s, err := Study(truth.rows(draw), StudyOptions{})
		if err != nil || len(s.Components) != d.components || (s.RepeatabilityDeg != nil) != d.repeatable || s.ReproducibilityDeg == nil || len(s.Notes) == 0 {
			t.Errorf("%+v: %+v %v", d, s, err)
		}
		for _, c := range s.Components {
			if c.Deg == nil {
				t.Errorf("%+v: %s is not told", d, c.Source)
			}
		}
	}
}

func TestStudyRefuses(t *testing.T) {
	whole := ordinary(3, 2, 2, 2).rows(rand.New(rand.NewPCG(15, 16)))
	for name, c := range map[string]struct {
		rows []StudyRow
		says string
	}{
		"nothing":            {nil, "0 part(s)"},
		"one part":           {whole[:8], "1 part(s)"},
		"a value less":       {whole[1:], "part 1, person A, mounting 1: repeat 2 of 2 is missing"},
		"a mounting less":    {append(whole[:6:6], whole[8:]...), "part 1, person B, mounting 2: repeat 1 of 2 is missing"},
		"two of one":         {append(whole[:24:24], whole[3]), "part 1, person A, mounting 2, repeat 2: there are two values"},
		"no number":          {append(whole[:23:23], StudyRow{"3", "B", "2", "2", math.NaN()}), "is not finite"},
		"one mounting more":  {append(whole[:24:24], StudyRow{"3", "B", "3", "1", 1}), "B has 3 mountings, A 2"},
		"a mounting missing": {append(whole[:24:24], StudyRow{"3", "A", "3", "1", 1}), "part 1, person A, mounting 3: repeat 1 of 2 is missing"},
		"strewn":             {strewn(100_000), "parts 100000, people 100000, mountings 1, repeats 1 need 10000000000 values, and 100000 are there"},
		"one of all":         {[]StudyRow{{"1", "A", "1", "1", 1}, {"2", "A", "1", "1", 1}}, "every part has one value"},
	} {
		if _, err := Study(c.rows, StudyOptions{}); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
	for _, limit := range []float64{-1, math.NaN(), math.Inf(1), 1e308, 1e-320} {
		if _, err := Study(whole, StudyOptions{IndexLimitDeg: limit}); err == nil || !strings.Contains(err.Error(), "the index limit is") {
			t.Errorf("limit %g°: %v", limit, err)
		}
	}
}

// strewn are values of which each is of another part and person.
func strewn(n int) (rows []StudyRow) {
	for i := range n {
		rows = append(rows, StudyRow{fmt.Sprint(i), fmt.Sprint(i), "1", "1", 0})
	}
	return rows
}

// Work grows as the values do: of 100,000 parts all is told at once, which took
// minutes while each was looked for among all others.
func TestStudyOfMany(t *testing.T) {
	rows := strewn(100_000)
	for i := range rows {
		rows[i].Part, rows[i].Person = fmt.Sprint(i/2), fmt.Sprint(i%2)
	}
	begun := time.Now()
	s, err := Study(rows, StudyOptions{})
	if err != nil || s.Parts != 50_000 || s.People != 2 || time.Since(begun) > 20*time.Second {
		t.Errorf("%d parts of %d people in %v: %v", s.Parts, s.People, time.Since(begun), err)
	}
}

// Ten mountings come in the order of their numbers.
func TestStudyOrder(t *testing.T) {
	var s strings.Builder
	out := bufio.NewWriter(&s)
	for _, n := range names([]StudyRow{{Part: "10"}, {Part: "2"}, {Part: "b"}, {Part: "1"}, {Part: "a"}}, func(r StudyRow) string { return r.Part }) {
		fmt.Fprint(out, n, " ")
	}
	out.Flush()
	if s.String() != "a b 1 2 10 " {
		t.Errorf("%s", s.String())
	}
}
