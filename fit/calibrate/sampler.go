package calibrate

import (
	"math"
	"math/rand/v2"
)

// sampler draws indicators that could have shown the readings: a Gibbs
// sampler (readings before rounding | curve; curve | readings; scatters), with
// random-walk steps besides where the display's step is coarse against the
// scatter and the readings before rounding hold the curve fast. One is one
// draw after the other, from a fixed seed.
type sampler struct {
	model
	rng    *rand.Rand
	coarse bool
	table  *bellTable
	first  firsts

	theta []float64 // β, z, γ, g
	p     []float64 // by reference point
	mid   []float64 // of repeats
	sigma float64
	a     int     // of the waves, on the grid
	bow   float64 // of the bows
	r     int     // which of the rates they shrink by
	b, c  float64
	back  float64 // of the hysteresis as a whole

	prec, rhs []float64 // work space, dims² and dims
	free      []float64
	moved     []float64
	walk      walker
}

// Grids of the scatters, µm, a factor apart; and how fast waves shrink.
const (
	leastUM   = 0.02
	gridRatio = 1.4
	gridSize  = 32 // to 1,000 µm
	rateCount = 5
)

func rates() [rateCount]float64 { return [rateCount]float64{1, 1.5, 2, 3, 5} }

// firsts are what is known beforehand, over the grid, and other tables.
type firsts struct {
	um, log                       [gridSize]float64         // the grid, and its ln
	waves, bow, alone, slow, back [gridSize]float64         // ln of densities
	grows                         [rateCount][waves]float64 // k^2r
	growsLog                      [rateCount]float64        // Σ ln k^r
}

func newFirsts() firsts {
	var f firsts
	for i := range f.um {
		f.um[i] = leastUM * math.Pow(gridRatio, float64(i))
		f.log[i] = math.Log(f.um[i])
		f.waves[i], f.bow[i], f.back[i] = wavesFirst(f.um[i]), bowFirst(f.um[i]), backFirst(f.um[i])
		f.alone[i], f.slow[i] = aloneFirst(f.um[i]), slowFirst(f.um[i])
	}
	for j, rate := range rates() {
		for k := 1; k <= waves; k++ {
			f.grows[j][k-1] = math.Pow(float64(k), 2*rate)
			f.growsLog[j] += rate * math.Log(float64(k))
		}
	}
	return f
}

func newSampler(m model, seed uint64) *sampler {
	dims := curveDims + m.slowDims()
	s := &sampler{model: m, rng: rand.New(rand.NewPCG(seed, 0x6372)), table: newBellTable(), first: newFirsts(), theta: make([]float64, dims), p: make([]float64, len(m.phi)),
		mid: make([]float64, len(m.again)), prec: make([]float64, dims*dims), rhs: make([]float64, dims), free: make([]float64, dims), a: gridSize / 3, r: 2, bow: 2, b: 0.3, c: 0.1, back: 3}
	guess := m.scatter0()
	s.coarse = guess < 0.45*m.step
	s.sigma = max(guess, 0.1*m.step, leastUM)
	for i := range s.again {
		s.mid[i] = s.again[i].mean
	}
	s.walk = newWalker(dims, len(s.p), len(s.mid))
	return s
}

// next makes the next draw.
func (s *sampler) next() {
	s.drawCurve()
	s.drawAlone()
	s.drawWaves()
	s.drawRescaled()
	if s.coarse {
		s.drawWalk()
	}
	s.drawReadings()
	s.drawScatter()
}

// curve is the smooth part at a reference point for a side.
func (s *sampler) curve(at int, side float64) float64 { return s.curveOf(s.theta, at, side) }

func (s *sampler) curveOf(theta []float64, at int, side float64) float64 {
	f := dot(s.phi[at], theta)
	if s.two {
		f += side * dot(s.psi[at], theta[curveDims:])
	}
	return f
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

// drawCurve draws θ given the readings before rounding, with what points have
// alone integrated out.
func (s *sampler) drawCurve() {
	dims := len(s.theta)
	clear(s.prec)
	clear(s.rhs)
	for i, v := range s.priorVariances() {
		s.prec[i*dims+i] = 1 / v
	}
	v := s.c*s.c + s.refU*s.refU
	for from := 0; from < len(s.sites); {
		to := from
		var w, w1, w2, y, y1 float64 // sums of weights × s^0, s^1, s^2, and with the mean
		for ; to < len(s.sites) && s.sites[to].at == s.sites[from].at; to++ {
			t := &s.sites[to]
			wt := t.n / (s.sigma * s.sigma)
			w, w1, w2, y, y1 = w+wt, w1+wt*t.s, w2+wt*t.s*t.s, y+wt*t.mean, y1+wt*t.s*t.mean
		}
		shrink := 1 / (1 + v*w)
		s.addBlock(s.sites[from].at, w*shrink, w1*shrink, w2-v*w1*w1*shrink, y*shrink, y1-v*w1*y*shrink)
		from = to
	}
	drawGaussian(s.rng, s.prec, s.rhs, s.theta)
}

// addBlock adds one reference point to the normal equations (lower triangle).
func (s *sampler) addBlock(at int, ff, fg, gg, yf, yg float64) {
	dims := len(s.theta)
	phi, psi := s.phi[at], s.psi[at]
	for i, x := range phi {
		row := s.prec[i*dims:]
		for j := 0; j <= i; j++ {
			row[j] += ff * x * phi[j]
		}
		s.rhs[i] += yf * x
	}
	for i, x := range psi {
		row := s.prec[(curveDims+i)*dims:]
		for j, y := range phi {
			row[j] += fg * x * y
		}
		for j := 0; j <= i; j++ {
			row[curveDims+j] += gg * x * psi[j]
		}
		s.rhs[curveDims+i] += yg * x
	}
}

// priorVariances of θ, as the scatters now stand.
func (s *sampler) priorVariances() []float64 {
	free := s.model.free * s.model.free
	out := s.free
	out[0], out[1] = free, free
	if len(s.phi) < 2 {
		out[1] = 1 // one point has no slope
	}
	out[2], out[3] = s.bow*s.bow, s.bow*s.bow
	for k := 1; k <= waves; k++ {
		out[bows+k-1] = s.first.um[s.a] * s.first.um[s.a] / s.first.grows[s.r][k-1]
	}
	for k := range out[curveDims:] {
		out[curveDims+k] = s.b * s.b / float64(max(k*k, 1))
	}
	if s.two {
		out[curveDims] = s.back * s.back
	}
	return out
}

// drawGaussian draws x of precision prec (lower triangle, overwritten by its
// Cholesky factor) and prec·mean = rhs (overwritten).
func drawGaussian(rng *rand.Rand, prec, rhs, x []float64) {
	n := len(x)
	for i := range n {
		ri := prec[i*n : i*n+i+1]
		for j := 0; j <= i; j++ {
			rj := prec[j*n : j*n+j+1]
			sum, whole := ri[j], ri[j]
			for k := range rj[:j] {
				sum -= ri[k] * rj[k]
			}
			if j < i {
				ri[j] = sum / rj[j]
			} else {
				ri[i] = math.Sqrt(max(sum, 1e-14*whole))
			}
		}
		rhs[i] = (rhs[i] - dot(ri[:i], rhs)) / ri[i]
	}
	for i := n - 1; i >= 0; i-- {
		sum := rhs[i] + rng.NormFloat64()
		for k := i + 1; k < n; k++ {
			sum -= prec[k*n+i] * x[k]
		}
		x[i] = sum / prec[i*n+i]
	}
}
