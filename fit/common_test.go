package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"crownmark/fit/engine"
)

// Worked by hand. Two throws: the middle. Three at 0 and one far away: each of
// the three pulls with m/√(s²+m²), together as hard as the one, which is 1 but for
// (s/D)²/2: m = s·q/√(1−q²), q = (1 − (s/D)²/2)/3, and the far one has
// no share in it but s³/D³.
func TestCommonZeroByHand(t *testing.T) {
	zero, g := CommonZero([]float64{0, 0.8}, 0.05)
	if math.Abs(zero-0.4) > 1e-12 || math.Abs(g[0]-0.5) > 1e-9 {
		t.Errorf("of two: %v %v", zero, g)
	}
	const s, d = 0.05, 1.5
	q := (1 - s*s/(d*d)/2) / 3
	zero, g = CommonZero([]float64{0, 0, d, 0}, s)
	if want := s * q / math.Sqrt(1-q*q); math.Abs(zero-want) > 2e-5 { // D − m for D in the pull
		t.Errorf("one far off: %.6f, by hand %.6f", zero, want)
	}
	if g[2] > 2*s*s*s/(d*d*d) || math.Abs(g[0]-g[3]) > 1e-12 {
		t.Errorf("shares %v", g)
	}
	// Near each other it is the mean.
	zero, _ = CommonZero([]float64{0.001, 0.004, 0.004}, 1)
	if want := 0.003; math.Abs(zero-want) > 1e-8 {
		t.Errorf("near: %v, mean %v", zero, want)
	}
}

// The shares are the derivatives: differences are the oracle.
func TestCommonZerosShares(t *testing.T) {
	e, s := []float64{0, -0.42, 1.498, 0.05, 0.02}, 0.06
	_, g := CommonZero(e, s)
	for k := range e {
		const h = 1e-5
		more, lessE := slices.Clone(e), slices.Clone(e)
		more[k] += h
		lessE[k] -= h
		a, _ := CommonZero(more, s)
		b, _ := CommonZero(lessE, s)
		if want := (a - b) / (2 * h); math.Abs(g[k]-want) > 1e-6 {
			t.Errorf("share of %d: %v, by differences %v", k, g[k], want)
		}
	}
}

// A reference that is 0.8° late makes all others look 0.8° early.
func TestABadReferenceIsFound(t *testing.T) {
	s := newSynth()
	s.errDeg = map[int]float64{2: -0.81, 3: -0.79, 4: -0.8}
	x, err := Solve(s.input(s.both(1, 1, 1), s.both(3, 1, 2), s.both(4, 1, 3), s.both(2, 1, 4)))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range x.Cylinders {
		want := map[int]float64{1: 0.8, 2: -0.01, 3: 0.01, 4: 0}[c.Number]
		// s/√8 of it goes to the throw that is off, as in the sum by hand
		if d := *c.FromCommonDeg - want; math.Abs(d) > 0.03 {
			t.Errorf("cylinder %d: %.4f° from the common zero, want %.4f°", c.Number, *c.FromCommonDeg, want)
		}
		if mm := *c.FromCommonDeg * math.Pi / 180 * 43; math.Abs(*c.CrankpinMM-mm) > 1e-12 {
			t.Errorf("cylinder %d: %v mm at the crankpin, %v by the stroke", c.Number, *c.CrankpinMM, mm)
		}
		verdict := Within
		if c.Number == 1 {
			verdict = Outside
		}
		if c.CommonVerdict != verdict {
			t.Errorf("cylinder %d: %s", c.Number, c.CommonVerdict)
		}
	}
	if w := CommonWords(x); !strings.HasPrefix(w, "the reference, cylinder 1, stands out itself") {
		t.Error(w)
	}
	if math.Abs(*x.CommonZeroDeg+*x.Cylinders[0].FromCommonDeg) > 1e-12 {
		t.Errorf("common zero %v", *x.CommonZeroDeg)
	}
}

// With two throws nobody can tell which is off; with one there is no zero.
func TestFewThrows(t *testing.T) {
	s := newSynth()
	x, err := Solve(s.input(s.both(1, 1, 1), s.both(3, 1, 2)))
	if err != nil {
		t.Fatal(err)
	}
	c := cylinderOf(x, 3)
	if math.Abs(*c.FromCommonDeg-s.errDeg[3]/2) > 0.01 || c.CommonVerdict != Undecided || !strings.HasPrefix(CommonWords(x), "two throws only") {
		t.Errorf("%v %s %s", *c.FromCommonDeg, c.CommonVerdict, CommonWords(x))
	}
	// The doubt of half the difference is half the difference's.
	if u := *c.FromCommonU95Deg; math.Abs(u-*c.ThrowU95Deg/2) > 1e-9 {
		t.Errorf("u95 %v of half of what has %v", u, *c.ThrowU95Deg)
	}
	x, err = Solve(s.input(s.both(1, 1, 1)))
	if err != nil || x.CommonZeroDeg != nil || x.Cylinders[0].FromCommonDeg != nil {
		t.Errorf("one throw: %v %v", err, x.CommonZeroDeg)
	}
}

func veeFour(pins [][]int) engine.Engine {
	e := practiceFour()
	e.SharedPins = pins
	e.Bank = []engine.Bank{{Name: "left", Cylinders: []int{1, 3}}, {Name: "right", Cylinders: []int{2, 4}}}
	return e
}

// On two pins, one rod of each bank on each: pin 3-4 is 0.6° late on the crank,
// bank right sits 0.3° late on the block, piston 4 alone another 0.1°.
func TestPinsAndBanksAreSetApart(t *testing.T) {
	s := newSynth()
	s.eng = veeFour([][]int{{1, 2}, {3, 4}})
	s.errDeg = map[int]float64{2: 0.3, 3: 0.6, 4: 0.6 + 0.3 + 0.1}
	x, err := Solve(s.input(s.both(1, 1, 1), s.both(2, 1, 2), s.both(3, 1, 3), s.both(4, 1, 4)))
	if err != nil || len(x.Pins) != 2 || len(x.Banks) != 2 {
		t.Fatal(err, x.Pins, x.Banks)
	}
	near := func(what string, got *float64, u95 *float64, want float64) {
		t.Helper()
		if got == nil || math.Abs(*got-want) > 0.01 || !(*u95 > 0 && *u95 < 0.05) {
			t.Errorf("%s: %v ± %v, want %v", what, deref(got), deref(u95), want)
		}
	}
	between := *x.Pins[1].CrankDeg - *x.Pins[0].CrankDeg
	near("pin against pin", &between, x.Pins[1].CrankU95Deg, (0.6+1.0)/2-0.3/2)
	near("2 against 1", x.Pins[0].Apart[0].Deg, x.Pins[0].Apart[0].U95Deg, 0.3)
	near("4 against 3", x.Pins[1].Apart[0].Deg, x.Pins[1].Apart[0].U95Deg, 0.4)
	near("right against left", x.Banks[1].ApartDeg, x.Banks[1].ApartU95Deg, 0.35)
	if !x.Banks[1].CrankFallsOut || x.Banks[0].ApartDeg != nil {
		t.Errorf("%+v", x.Banks)
	}
	for _, row := range [][2]string{
		{ApartWords(x.Pins[0].Apart[0]), "block or pistons: cylinder 2 is 0.3"},
		{BankWords(x.Banks[1], "left"), "block or pistons: bank right is 0.3"},
		{PinWords(x.Pins[1]), "crank: this pin is 0."},
	} {
		if !strings.HasPrefix(row[0], row[1]) {
			t.Errorf("%q, want %q …", row[0], row[1])
		}
	}
}

// Without shared pins the crank may do what a bank does; what is not swept is
// not told; an engine file that says nothing gets nothing.
func TestPinsThatCannotBeTold(t *testing.T) {
	s := newSynth()
	s.eng = veeFour(nil)
	x, err := Solve(s.input(s.both(1, 1, 1), s.both(2, 1, 2), s.both(3, 1, 3), s.both(4, 1, 4)))
	if err != nil || len(x.Pins) != 0 || x.Banks[1].CrankFallsOut {
		t.Fatal(err, x.Pins, x.Banks)
	}
	if w := BankWords(x.Banks[1], "left"); !strings.HasPrefix(w, "block or pistons, or every throw of one bank") {
		t.Error(w)
	}
	s.eng = veeFour([][]int{{1, 2}, {3, 4}})
	x, err = Solve(s.input(s.both(1, 1, 1), s.both(2, 1, 2), s.both(3, 1, 3)))
	if err != nil || x.Pins[1].CrankDeg != nil || x.Pins[1].Apart[0].Deg != nil || x.Banks[1].MeanDeg != nil || x.Pins[0].Apart[0].Deg == nil {
		t.Error(err, x.Pins, x.Banks)
	}
	s.eng = practiceFour()
	if x, err = Solve(s.input(s.both(1, 1, 1), s.both(2, 1, 2))); err != nil || len(x.Pins)+len(x.Banks) != 0 {
		t.Error(err, x.Pins, x.Banks)
	}
}

// A throw's deviation from the common zero is known to what is said: 300 jobs of
// four throws with random errors, one of them bad; the truth is the same zero of
// the true errors.
func TestCommonZerosDoubtCovers(t *testing.T) {
	const jobs, u = 300, 0.2
	inside, n := 0, 0
	for seed := range uint64(jobs) {
		s := newSynth()
		s.rng = rand.New(rand.NewPCG(seed, 81))
		s.errDeg = map[int]float64{}
		for c := 2; c <= 4; c++ {
			s.errDeg[c] = 0.15 * s.rng.NormFloat64()
		}
		s.errDeg[2+int(seed%3)] += 0.8
		in := s.input()
		for c := 1; c <= 4; c++ {
			st := stood{0.1 * s.rng.Float64(), flipUMM * s.rng.NormFloat64(), scaleMean + scaleU*s.rng.NormFloat64()}
			in.Sweeps = append(in.Sweeps, s.marked(c, 15, u, -21, 21, st), s.marked(c, 15, u, 21, -21, st))
		}
		scale, x := solvedJob(t, in)
		truth := []float64{0, s.errDeg[2], s.errDeg[3], s.errDeg[4]}
		zero, _ := CommonZero(truth, scale)
		for k, c := range x.Cylinders {
			if n++; math.Abs(*c.FromCommonDeg-(truth[k]-zero)) <= *c.FromCommonU95Deg {
				inside++
			}
		}
	}
	share := float64(inside) / float64(n)
	t.Logf("inside %.1f %% of %d", 100*share, n)
	if share < 0.93 || share > 0.975 {
		t.Errorf("inside %.1f %% of %d", 100*share, n)
	}
}

// solvedJob is Solve, with the scale that its common zero took.
func solvedJob(t *testing.T, in Input) (scale float64, x Index) {
	t.Helper()
	j := newJob(in)
	if err := j.prepare(); err != nil {
		t.Fatal(err)
	}
	x = j.blank()
	j.keepAnchor()
	sol, err := j.settle()
	if err != nil {
		t.Fatal(err)
	}
	j.write(&x, sol)
	th := j.throwsOf(&x, sol)
	return th.scale(), x
}
