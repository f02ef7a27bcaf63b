package calibrate

import (
	"math"
	"math/rand/v2"
)

// below is the standard normal distribution function.
func below(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// logBetween is ln of the standard normal's probability between a and b, a < b,
// finite also far out.
func logBetween(a, b float64) float64 {
	if a > 0 {
		a, b = -b, -a
	}
	if p := below(b) - below(a); p > 1e-280 {
		return math.Log(p)
	}
	// Far out all of it lies at the near edge: φ(b)/|b|.
	return -b*b/2 - math.Log(math.Abs(b)*math.Sqrt(2*math.Pi)) + math.Log1p(-math.Exp(b*(b-a)))
}

// between draws a standard normal that lies between a and b, a < b, by the
// inverse of its distribution.
func between(rng *rand.Rand, a, b float64) float64 {
	flip := a > 0
	if flip {
		a, b = -b, -a
	}
	pa, pb := below(a), below(b)
	p := pa + (pb-pa)*rng.Float64()
	z := 0.0
	if p > 1e-9 {
		z = math.Sqrt2 * math.Erfinv(2*p-1)
	} else { // Erfinv has no digits left there
		z = b - exponential(rng, max(-b, 1e-3), b-a)
	}
	z = min(max(z, a), b)
	if flip {
		return -z
	}
	return z
}

// exponential draws from an exponential distribution of this rate, cut at most.
func exponential(rng *rand.Rand, rate, most float64) float64 {
	return -math.Log1p(rng.Float64()*math.Expm1(-rate*most)) / rate
}
