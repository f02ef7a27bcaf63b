package calibrate

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func evaluated(t *testing.T, points []Point, o Options) Result {
	t.Helper()
	r, err := Evaluate(points, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The same input gives the same bytes.
func TestSameInputSameBytes(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(9, 9))
	v := drawVirtual(rng)
	points := v.calibrated(rng)
	a, _ := json.Marshal(evaluated(t, points, v.options()))
	b, _ := json.Marshal(evaluated(t, points, v.options()))
	if string(a) != string(b) {
		t.Error("two results of one calibration differ")
	}
}

// What the points do not give is null, and is told of; nothing is NaN.
func TestTooLittle(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		points []Point
		null   []string
		told   string
	}{
		"repeats only":   {[]Point{{1, Repeat, 1, 1.001}, {1, Repeat, 1, 1.002}}, []string{Total, Local, Hysteresis, Linearity}, "no point was come to from both sides"},
		"one point":      {[]Point{{1, Up, 1, 1.001}}, []string{Local, Hysteresis, Repeatability, Linearity}, "no two points lie within 1 mm"},
		"one side":       {[]Point{{1, Up, 0, 0}, {1, Up, 1, 1.001}, {1, Up, 2, 2}}, []string{Hysteresis, Repeatability}, "holds for this side only"},
		"one repeat":     {[]Point{{1, Up, 0, 0}, {1, Down, 0, 0.001}, {1, Repeat, 0, 0}}, []string{Local, Repeatability, Linearity}, "no point was read repeatedly"},
		"other runs":     {[]Point{{1, Up, 0, 0}, {2, Down, 0, 0.001}}, []string{Local, Hysteresis, Repeatability, Linearity}, "within one run"},
		"one place":      {[]Point{{1, Up, 1e-320, 0}, {1, Up, 2e-320, 0}, {1, Down, 1e-320, 0}}, []string{Repeatability, Linearity}, "no point was read repeatedly"},
		"no temperature": {[]Point{{1, Up, 0, 0}, {1, Down, 0, 0.001}}, []string{Local, Repeatability, Linearity}, "nobody noted the temperature"},
	} {
		o := DefaultOptions()
		o.Limits = map[string]float64{}
		for _, n := range c.null {
			o.Limits[n] = 0.01
		}
		r := evaluated(t, c.points, o)
		for _, x := range r.Characteristics() {
			isNull := strings.Contains(strings.Join(c.null, " "), x.Name)
			if (x.ValueMM == nil) != isNull || (x.U95MM == nil) != isNull {
				t.Errorf("%s: %s is %v ± %v", name, x.Name, x.ValueMM, x.U95MM)
			}
			if _, judged := r.Verdict[x.Name]; judged {
				t.Errorf("%s: a verdict on %s, which is unknown", name, x.Name)
			}
		}
		if !strings.Contains(strings.Join(r.Warnings, "\n"), c.told) {
			t.Errorf("%s: %q does not tell %q", name, r.Warnings, c.told)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestRefuses(t *testing.T) {
	t.Parallel()
	one := []Point{{1, Up, 0, 0}}
	hot := 500.0
	for want, f := range map[string]func(*Options) []Point{
		"there are no points":                  func(*Options) []Point { return nil },
		"point 1: reference NaN mm":            func(*Options) []Point { return []Point{{1, Up, math.NaN(), 0}} },
		"point 1: the direction \"in\" is not": func(*Options) []Point { return []Point{{1, "in", 0, 0}} },
		"there are 2001 points, more than":     func(*Options) []Point { return make([]Point, 2001) },
		"the local span is -1 mm":              func(o *Options) []Point { o.LocalSpanMM = -1; return one },
		"the resolution is -1 mm":              func(o *Options) []Point { o.ResolutionMM = -1; return one },
		"no display has a step of 1e-320 mm":   func(o *Options) []Point { o.ResolutionMM = 1e-320; return one },
		"the limit \"x\" is not known":         func(o *Options) []Point { o.Limits = map[string]float64{"x": 1}; return one },
		"the limit of total is 0 mm":           func(o *Options) []Point { o.Limits = map[string]float64{Total: 0}; return one },
		"the temperature is no workshop's":     func(o *Options) []Point { o.TemperatureC = &hot; return one },
	} {
		o := DefaultOptions()
		if _, err := Evaluate(f(&o), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// Whatever was read, readings and corrected readings ascend strictly over the
// knots, and every number is one.
func TestCorrectionIsMonotone(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var points []Point
		for range rapid.IntRange(1, 12).Draw(t, "points") {
			x := float64(rapid.IntRange(-20, 20).Draw(t, "x")) / 20
			e := float64(rapid.IntRange(-200, 200).Draw(t, "error")) / 1000
			points = append(points, Point{rapid.IntRange(1, 2).Draw(t, "run"), rapid.SampledFrom([]Direction{Up, Down}).Draw(t, "way"), x, x + e})
		}
		l, err := arrange(points, 1)
		if err != nil {
			t.Fatal(err)
		}
		knots := corrections(l)
		for i, k := range knots[1:] {
			if a := knots[i]; k.reading <= a.reading || k.reading+k.correction <= a.reading+a.correction {
				t.Fatalf("%v after %v", k, a)
			}
		}
	})
}

// The verdict on a value with its doubt; the noise-free one between low and high.
func TestDecide(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		value, u, low, high float64
		want                string
	}{
		{7, 2, 5, 8, Pass}, {8, 2, 5, 9, Pass}, {8.1, 2, 5, 9, ConditionalPass}, {7, 2, 5, 10.5, ConditionalPass}, {10, 2, 7, 11, ConditionalPass},
		{11, 2, 8, 12, ConditionalFail}, {13, 2, 9.5, 14, ConditionalFail}, {13, 2, 10.5, 14, Fail}, {12, 2, 10.5, 14, ConditionalFail},
	} {
		if got := decide(c.value, c.u, c.low, c.high, 10); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
	if !worse(Fail, ConditionalFail) || !worse(ConditionalFail, ConditionalPass) || !worse(ConditionalPass, Pass) || worse(Pass, Pass) {
		t.Error("verdicts are not ordered by how bad they are")
	}
}

// The display's step is the largest that divides every reading, to 0.01 mm.
func TestStepIsLearnt(t *testing.T) {
	t.Parallel()
	read := func(values ...float64) (points []Point) {
		for len(points) < 8 {
			for _, v := range values {
				points = append(points, Point{1, Up, 0, v})
			}
		}
		return points
	}
	for _, c := range []struct {
		points []Point
		want   float64
	}{
		{read(1, 2, 3), 0.01}, {read(1.001, 2), 0.001}, {read(1.002, 2.004), 0.002}, {read(1.005, 2), 0.005}, {read(0.20024, 1), 0.00002},
		{read(1.0005), 0.0005}, {read(6.345526), 0.000002}, {[]Point{{1, Up, 0, 1.002}}, 0.001}, {read(-25.4), 0.01},
	} {
		if got := (Options{}).step(c.points); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v: %g, want %g", c.points[0].ReadingMM, got, c.want)
		}
	}
	if got := (Options{Conditions: Conditions{ResolutionMM: 0.005}}).step(read(1)); got != 0.005 {
		t.Errorf("what is stated holds: %g", got)
	}
}

// Scale, by hand: half-widths of 10⁻⁶/K each give √(2/3)·10⁻⁶ = 0.8165·10⁻⁶/K of
// the difference. Unnoted: 5/√3 = 2.887 °C, 2.357·10⁻⁶. At 23 ± 0.8 °C:
// √(3² + 0.4²) = 3.027 °C, 2.471·10⁻⁶. Cosine of 0.3°: α²/2/√3 = 7.915·10⁻⁶.
func TestScaleDoubt(t *testing.T) {
	t.Parallel()
	warm := 23.0
	noted := Options{Conditions: Conditions{TemperatureC: &warm, TempU95C: 0.8}}
	for name, c := range map[string][2]float64{"unnoted": {Options{}.expansionU(), 2.357e-6}, "noted": {noted.expansionU(), 2.471e-6}, "cosine": {cosineU(), 7.915e-6},
		"reference": {Options{Conditions: Conditions{Reference: Reference{PerM: 0.04}}}.slopeU(), math.Sqrt(2.357*2.357+7.915*7.915+400) * 1e-6}} {
		if math.Abs(c[0]-c[1]) > 0.001*c[1] {
			t.Errorf("%s: %g, want %g", name, c[0], c[1])
		}
	}
}

// The budget is told worst first and has the reference only where it is stated.
func TestBudget(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(11, 1))
	v := drawVirtual(rng)
	points := v.calibrated(rng)
	for _, stated := range []bool{false, true} {
		o := DefaultOptions()
		o.Reference = Reference{U95MM: 0.002, Stated: stated}
		if !stated {
			o.Reference = Reference{}
		}
		r := evaluated(t, points, o)
		has := false
		for i, l := range r.Budget {
			if i > 0 && l.UMM > r.Budget[i-1].UMM {
				t.Errorf("%s after %s", l.Source, r.Budget[i-1].Source)
			}
			if l.Source == "reference" {
				if has = true; math.Abs(l.UMM-0.001) > 1e-9 {
					t.Errorf("reference: %g mm", l.UMM)
				}
			}
		}
		if has != stated || len(r.Budget) < 6 {
			t.Errorf("stated %v: %+v", stated, r.Budget)
		}
	}
}

// Runs that a new zero parts are told of; those that scatter alone parts are not.
func TestRunsThatDoNotAgree(t *testing.T) {
	t.Parallel()
	told := 0
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(21, seed))
		v := drawVirtual(rng)
		v.runs, v.step, v.sigma = 3, 0.001, 0.5
		points := v.calibrated(rng)
		if strings.Contains(strings.Join(evaluated(t, points, v.options()).Warnings, "\n"), "the runs do not agree") {
			told++
		}
		if seed > 0 {
			continue
		}
		for i := range points {
			if points[i].Run == 2 {
				points[i].ReadingMM += 0.003
			}
		}
		if w := strings.Join(evaluated(t, points, v.options()).Warnings, "\n"); !strings.Contains(w, "the runs do not agree: their means lie 3") && !strings.Contains(w, "the runs do not agree: their means lie 2.9") {
			t.Errorf("a new zero of 3 µm is not told of: %s", w)
		}
	}
	if told > 0 { // 20 of 0.1 % each: 2 %
		t.Errorf("%d of 20 calibrations without a new zero were told of one", told)
	}
}

// Whatever the points are, a result is numbers and nulls that JSON can hold.
func FuzzEvaluate(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9}, 1.0)
	f.Fuzz(func(t *testing.T, data []byte, scale float64) {
		var points []Point
		ways := []Direction{Up, Down, Repeat}
		for i := 0; i+3 < len(data) && len(points) < 60; i += 4 {
			points = append(points, Point{1 + int(data[i])%3, ways[int(data[i+1])%3], float64(data[i+2]) * scale, float64(data[i+3]) * scale})
		}
		r, err := Evaluate(points, DefaultOptions())
		if err != nil {
			return
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	})
}

func BenchmarkEvaluate(b *testing.B) {
	rng := rand.New(rand.NewPCG(12, 1))
	v := drawVirtual(rng)
	points := v.calibrated(rng)
	b.ReportMetric(float64(len(points)), "points")
	for b.Loop() {
		if _, err := Evaluate(points, v.options()); err != nil {
			b.Fatal(err)
		}
	}
}
