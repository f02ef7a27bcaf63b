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

// farOut is where Φ is drawn from no more by its inverse: too few digits.
const farOut = 5

// between draws a standard normal that lies between a and b, a < b: by the
// inverse of its distribution; far out from an exponential, and what that has
// too much is thrown away.
func between(rng *rand.Rand, a, b float64) float64 {
	flip := a > 0
	if flip {
		a, b = -b, -a
	}
	z := b
	if b < -farOut {
		for {
			d := exponential(rng, -b, b-a)
			if rng.Float64() < math.Exp(-d*d/2) {
				z = b - d
				break
			}
		}
	} else {
		pa, pb := below(a), below(b)
		z = math.Sqrt2 * math.Erfinv(2*(pa+(pb-pa)*rng.Float64())-1)
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
