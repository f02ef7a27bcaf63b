package calibrate

import (
	"math"
	"math/rand/v2"
)

// below is the standard normal distribution function.
func below(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// bellTable holds the standard normal distribution function between −bellEnd
// and bellEnd, bellSteps to the unit.
type bellTable [2*bellEnd*bellSteps + 2]float64

const (
	bellEnd   = 6
	bellSteps = 64
)

func newBellTable() *bellTable {
	var t bellTable
	for i := range t {
		t[i] = below(float64(i)/bellSteps - bellEnd)
	}
	return &t
}

// below is the distribution function to 3e-5 by the table, linear between.
func (t *bellTable) below(z float64) float64 {
	at := (z + bellEnd) * bellSteps
	switch {
	case !(at > 0):
		return 0
	case at >= 2*bellEnd*bellSteps:
		return 1
	}
	i := int(at)
	return t[i] + (at-float64(i))*(t[i+1]-t[i])
}

// leastP stands for the probability of what lies far out: no step leads there,
// and what stands there finds its way back.
const leastP = 1e-12

// product multiplies probabilities and keeps ln of the product.
type product struct{ p, log float64 }

func (x *product) times(p float64) {
	if x.p *= p; x.p < 1e-200 {
		x.log, x.p = x.log+math.Log(x.p), 1
	}
}

func (x *product) ln() float64 { return x.log + math.Log(x.p) }

const (
	farOut = 5   // where the inverse of Φ has too few digits
	wide   = 1.5 // an interval about 0 that is wider holds two in five of all draws
)

// between draws a standard normal that lies between a and b, a < b, each way
// exactly: wide about 0, what falls in is kept; narrow, of evenly spread ones as many as are
// likely; far out, an exponential and as many of it; else by the inverse of Φ.
func between(rng *rand.Rand, a, b float64) float64 {
	switch {
	case a < 0 && b > 0 && b-a > wide:
		for {
			if z := rng.NormFloat64(); z > a && z < b {
				return z
			}
		}
	case a > 0:
		return -onTheLeft(rng, -b, -a)
	}
	return onTheLeft(rng, a, b)
}

// onTheLeft draws where a lies left of 0.
func onTheLeft(rng *rand.Rand, a, b float64) float64 {
	nearest := min(b, 0)
	switch {
	case b < -farOut:
		for {
			d := exponential(rng, -b, b-a)
			if rng.Float64() < math.Exp(-d*d/2) {
				return max(b-d, a)
			}
		}
	case b-a <= wide:
		for {
			z := a + (b-a)*rng.Float64()
			if rng.Float64() < math.Exp((nearest*nearest-z*z)/2) {
				return z
			}
		}
	}
	pa, pb := below(a), below(b)
	return min(max(math.Sqrt2*math.Erfinv(2*(pa+(pb-pa)*rng.Float64())-1), a), b)
}

// exponential draws from an exponential distribution of this rate, cut at most.
func exponential(rng *rand.Rand, rate, most float64) float64 {
	return -math.Log1p(rng.Float64()*math.Expm1(-rate*most)) / rate
}
