package calibrate

import (
	"math"
	"slices"
)

// drawAlone draws c and what each reference point has alone, given the curve.
func (s *sampler) drawAlone() {
	type sum struct{ w, wr float64 }
	sums := make([]sum, len(s.p))
	for i := range s.sites {
		t := &s.sites[i]
		w := t.n / (s.sigma * s.sigma)
		sums[t.at].w += w
		sums[t.at].wr += w * (t.mean - s.curve(t.at, t.s))
	}
	s.c = s.grid(func(i int) float64 {
		c2 := s.first.um[i]*s.first.um[i] + s.refU*s.refU
		squares, x := 0.0, product{p: 1}
		for _, t := range sums {
			v := 1 / (c2 + 1/t.w)
			r := t.wr / t.w
			squares += r * r * v
			x.times(v)
		}
		return s.first.alone[i] + (x.ln()-squares)/2
	})
	v := s.c*s.c + s.refU*s.refU
	for i, t := range sums {
		prec := t.w + 1/v
		s.p[i] = t.wr/prec + s.rng.NormFloat64()/math.Sqrt(prec)
	}
}

// drawWaves draws a and r, and b, given θ.
func (s *sampler) drawWaves() {
	var logs [rateCount * gridSize]float64
	for j := range s.first.grows {
		ss := 0.0
		for k, g := range s.first.grows[j] {
			z := s.theta[bows+k]
			ss += z * z * g
		}
		for i, a := range s.first.um {
			logs[j*gridSize+i] = s.first.waves[i] + s.first.growsLog[j] - waves*s.first.log[i] - ss/(2*a*a)
		}
	}
	best := s.choose(logs[:])
	s.a, s.r = best%gridSize, best/gridSize
	bow := s.theta[2]*s.theta[2] + s.theta[3]*s.theta[3]
	s.bow = s.grid(func(i int) float64 {
		u := s.first.um[i]
		return s.first.bow[i] - 2*s.first.log[i] - bow/(2*u*u)
	})
	if !s.two {
		return
	}
	ss := 0.0
	for k := 1; k <= slowWaves; k++ {
		z := s.theta[curveDims+k] * float64(k)
		ss += z * z
	}
	s.b = s.grid(func(i int) float64 {
		b := s.first.um[i]
		return s.first.slow[i] - slowWaves*s.first.log[i] - ss/(2*b*b)
	})
	s.back = s.grid(func(i int) float64 {
		z := s.theta[curveDims] / s.first.um[i]
		return s.first.back[i] - s.first.log[i] - z*z/2
	})
}

// grid draws a scatter from the grid by ln of its density there.
func (s *sampler) grid(log func(i int) float64) float64 {
	var logs [gridSize]float64
	for i := range logs {
		logs[i] = log(i)
	}
	return s.first.um[s.choose(logs[:])]
}

// choose draws an index by ln of its weights.
func (s *sampler) choose(logs []float64) int {
	top, sum := slices.Max(logs), 0.0
	for i, l := range logs {
		if l -= top; l < -40 {
			logs[i] = 0
			continue
		}
		logs[i] = math.Exp(l)
		sum += logs[i]
	}
	u := s.rng.Float64() * sum
	for i, w := range logs {
		if u -= w; u < 0 {
			return i
		}
	}
	return len(logs) - 1
}

// drawReadings draws what the readings were before rounding.
func (s *sampler) drawReadings() {
	for i := range s.sites {
		t := &s.sites[i]
		t.redraw(s.rng, s.curve(t.at, t.s)+s.p[t.at], s.sigma, s.step)
	}
	for i := range s.again {
		t := &s.again[i]
		t.redraw(s.rng, s.mid[i], s.sigma, s.step)
		s.mid[i] = t.mean + s.sigma/math.Sqrt(t.n)*s.rng.NormFloat64()
	}
}

// drawScatter draws σ given the readings before rounding: proposed as if every
// size of it were as likely, taken by what is known of indicators.
func (s *sampler) drawScatter() {
	ss, n := 0.0, 0.0
	for i := range s.sites {
		t := &s.sites[i]
		ss, n = ss+t.squares(s.curve(t.at, t.s)+s.p[t.at]), n+t.n
	}
	for i := range s.again {
		t := &s.again[i]
		ss, n = ss+t.squares(s.mid[i]), n+t.n
	}
	chi2 := 0.0
	for range int(n) {
		z := s.rng.NormFloat64()
		chi2 += z * z
	}
	sigma := math.Sqrt(ss / chi2)
	if math.Log(s.rng.Float64()) < scatterFirst(sigma)-scatterFirst(s.sigma) {
		s.sigma = sigma
	}
}

// What is known of indicators beforehand, as ln of a density over ln of the
// size in µm.

// scatterFirst: readings of indicators mostly repeat to 0.2 to 2 µm.
func scatterFirst(um float64) float64 {
	l := math.Log(um)
	return math.Log(0.8*bell(l, math.Log(0.65), 0.7)/0.7 + 0.2*bell(l, 0, 3)/3)
}

// wavesFirst: error curves of most indicators span 1 to 20 µm; some are straight
// or bow evenly.
func wavesFirst(um float64) float64 { return none(um, 0.3, 3, 1.2) }

// bowFirst: the same, of an even bow.
func bowFirst(um float64) float64 { return none(um, 0.2, 2, 1.2) }

// aloneFirst: single points seldom stand out.
func aloneFirst(um float64) float64 { return none(um, 0.7, 0.3, 1.2) }

// backFirst: the hysteresis of most indicators is 0 to 6 µm.
func backFirst(um float64) float64 {
	l := math.Log(um)
	return math.Log(0.8*bell(l, math.Log(3), 0.5)/0.5 + 0.2*bell(l, math.Log(3), 4)/4)
}

// slowFirst: the hysteresis is mostly the same over the range.
func slowFirst(um float64) float64 { return none(um, 0.7, 0.4, 1.2) }

// none is a density that has this share at next to nothing; of the rest four in
// five about mid, and one anywhere.
func none(um, share, mid, sd float64) float64 {
	l := math.Log(um / mid)
	rest := (1 - share) * (0.8*bell(l, 0, sd)/sd + 0.2*bell(l, 0, 4)/4)
	if um <= leastUM {
		rest += share * math.Sqrt(2*math.Pi) / math.Log(gridRatio)
	}
	return math.Log(rest)
}

func bell(x, mid, sd float64) float64 {
	z := (x - mid) / sd
	return math.Exp(-z * z / 2)
}
