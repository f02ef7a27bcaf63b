package calibrate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// d2 of the control chart tables (ASTM MNL 7), to their last digit; two points
// of five repeats by simulation of 10⁷ pairs: 2.813.
func TestExpectedRange(t *testing.T) {
	t.Parallel()
	for n, want := range map[int]float64{2: 1.128, 3: 1.693, 5: 2.326, 10: 3.078, 25: 3.931} {
		if got := expectedRange([]repeats{{errors: make([]float64, n)}}); math.Abs(got-want) > 0.0005 {
			t.Errorf("d2(%d) = %.4f, want %.3f", n, got, want)
		}
	}
	rng := rand.New(rand.NewPCG(1, 1))
	sum, n := 0.0, 20000
	for range n {
		sum += max(rangeOf(rng, 5), rangeOf(rng, 4))
	}
	two := []repeats{{errors: make([]float64, 5)}, {errors: make([]float64, 4)}, {errors: make([]float64, 1)}}
	if got, want := expectedRange(two), sum/float64(n); math.Abs(got-want) > 0.03 { // four standard deviations
		t.Errorf("the larger of two ranges: %.3f, simulated %.3f", got, want)
	}
	if got := expectedRange([]repeats{{errors: make([]float64, 1)}}); got != 0 {
		t.Errorf("one reading has no range: %g", got)
	}
}

func rangeOf(rng *rand.Rand, n int) float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = rng.NormFloat64()
	}
	return slices.Max(v) - slices.Min(v)
}

// Draws between two bounds have the truncated normal's mean, (φ(a) − φ(b))/(Φ(b) − Φ(a)),
// in the middle, on a side and far out.
func TestDrawsBetween(t *testing.T) {
	t.Parallel()
	density := func(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
	for _, c := range [][2]float64{{-1, 1}, {-0.5, 0.4}, {-0.5, 3}, {1, 2}, {3, 4.5}, {0.5, 4}, {-7, -5.5}, {5.9, 6.1}, {-30, 30}} {
		a, b := c[0], c[1]
		rng := rand.New(rand.NewPCG(2, 2))
		sum, n := 0.0, 20000
		for range n {
			z := between(rng, a, b)
			if z < a || z > b {
				t.Fatalf("%g lies outside %g to %g", z, a, b)
			}
			sum += z
		}
		mass := below(b) - below(a)
		if a > 0 {
			mass = below(-a) - below(-b)
		}
		want := (density(a) - density(b)) / mass
		if got := sum / float64(n); math.Abs(got-want) > 4*min(b-a, 2)/2/math.Sqrt(float64(n)) {
			t.Errorf("between %g and %g: mean %.4f, want %.4f", a, b, got, want)
		}
	}
	rng := rand.New(rand.NewPCG(3, 3))
	for range 100 { // beyond what Φ can hold
		if z := between(rng, 50, 60); !(z >= 50 && z < 51) {
			t.Fatalf("%g", z)
		}
	}
}

func TestBellTable(t *testing.T) {
	t.Parallel()
	table := newBellTable()
	for z := -7.0; z < 7; z += 0.013 {
		if got := table.below(z); math.Abs(got-below(z)) > 3e-5 {
			t.Fatalf("Φ(%g) = %g, want %g", z, got, below(z))
		}
	}
	if table.below(math.NaN()) != 0 {
		t.Error("what is no number has no probability")
	}
}

// Draws of a Gaussian given by its precision have the mean and the covariance
// that follow by hand: precision (2 1; 1 2) has covariance (2 −1; −1 2)/3.
func TestDrawsOfAGaussian(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(4, 4))
	n := 150000
	var m [2]float64
	var c [3]float64
	for range n {
		x := make([]float64, 2)
		drawGaussian(rng, []float64{2, 0, 1, 2}, []float64{3, 0}, x) // mean (2, −1)
		a, b := x[0]-2, x[1]+1
		m[0], m[1] = m[0]+a, m[1]+b
		c[0], c[1], c[2] = c[0]+a*a, c[1]+a*b, c[2]+b*b
	}
	for i, want := range []float64{2. / 3, -1. / 3, 2. / 3} {
		if got := c[i] / float64(n); math.Abs(got-want) > 0.02 {
			t.Errorf("covariance %d: %.3f, want %.3f", i, got, want)
		}
	}
	if math.Abs(m[0])/float64(n) > 0.02 || math.Abs(m[1])/float64(n) > 0.02 {
		t.Errorf("mean off by %v", m)
	}
}

// The scatter that is found is the one that was, and what a point has alone is
// found where it stands out: the sampler knows what is there.
func TestSamplerFindsWhatIsThere(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(5, 5))
	var points []Point
	for run := 1; run <= 3; run++ {
		for x := range 21 {
			for _, way := range []Direction{Up, Down} {
				e := 3*math.Sin(float64(x)/3) + 1*rng.NormFloat64()
				if way == Down {
					e += 4
				}
				points = append(points, Point{run, way, float64(x), float64(x) + math.Round(e)/1000})
			}
		}
	}
	l, err := arrange(points, 1)
	if err != nil {
		t.Fatal(err)
	}
	s := newSampler(newModel(l, 0.001, 0), 1)
	var sigma, back, at float64
	n := 800
	for i := range 100 + n {
		if s.next(); i >= 100 {
			sigma, back, at = sigma+s.sigma/float64(n), back+dot(s.psi[10], s.theta[curveDims:])/float64(n), at+(s.curve(10, -0.5)+s.p[10])/float64(n)
		}
	}
	// Standard errors by hand: σ/√(2·126) = 0.06; hysteresis 2σ/√126 = 0.18 and what it varies; one point's mean of three 0.58 at most.
	if math.Abs(sigma-1) > 0.2 || math.Abs(back-4) > 0.8 || math.Abs(at-3*math.Sin(10./3)) > 1.5 {
		t.Errorf("scatter %.2f of 1, hysteresis %.2f of 4, curve %.2f of %.2f µm", sigma, back, at, 3*math.Sin(10./3))
	}
}

// Without readings the draws are what is known beforehand, to the 4 % that
// 150,000 draws are good to: they hang together for hundreds.
func TestWithoutReadingsTheDrawsAreWhatIsKnown(t *testing.T) {
	t.Parallel()
	l, err := arrange([]Point{{1, Repeat, 0, 0}, {1, Repeat, 0, 0.001}}, 1)
	if err != nil {
		t.Fatal(err)
	}
	s := newSampler(newModel(l, 0.001, 0), 3)
	sum, want, got := 0.0, [4]float64{}, [4]float64{}
	part := func(i int) int { return min(i/4, 3) } // to 0.06, 0.2, 0.8 µm, above
	for i, l := range s.first.waves {
		want[part(i)] += math.Exp(l)
		sum += math.Exp(l)
	}
	n := 150000
	for range n {
		s.next()
		got[part(s.a)]++
	}
	for i := range want {
		if math.Abs(got[i]/float64(n)-want[i]/sum) > 0.04 {
			t.Errorf("part %d: %.3f of the draws, known beforehand %.3f", i, got[i]/float64(n), want[i]/sum)
		}
	}
}
