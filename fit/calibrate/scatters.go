package calibrate

import "math"

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
	s.c = s.grid(func(c float64) float64 {
		l := 0.0
		for _, t := range sums {
			v := c*c + s.refU*s.refU + 1/t.w
			r := t.wr / t.w
			l -= 0.5 * (math.Log(v) + r*r/v)
		}
		return l + aloneFirst(c)
	})
	v := s.c*s.c + s.refU*s.refU
	for i, t := range sums {
		prec := t.w + 1/v
		s.p[i] = t.wr/prec + s.rng.NormFloat64()/math.Sqrt(prec)
	}
}

// drawWaves draws a and r, and b, given θ.
func (s *sampler) drawWaves() {
	best, top := 0, math.Inf(-1)
	var logs [4 * gridSize]float64
	for j, rate := range rates() {
		ss, shrink := 0.0, 0.0
		for k := 1; k <= waves; k++ {
			g := math.Pow(float64(k), rate)
			z := s.theta[1+k] * g
			ss, shrink = ss+z*z, shrink+math.Log(g)
		}
		for i := range gridSize {
			a := gridAt(i)
			l := shrink - waves*math.Log(a) - ss/(2*a*a) + wavesFirst(a)
			logs[j*gridSize+i] = l
			top = max(top, l)
		}
	}
	best = s.choose(logs[:], top)
	s.a, s.r = gridAt(best%gridSize), rates()[best/gridSize]
	if !s.two {
		return
	}
	ss := 0.0
	for k := 1; k <= slowWaves; k++ {
		z := s.theta[curveDims+k] * float64(k)
		ss += z * z
	}
	s.b = s.grid(func(b float64) float64 { return -slowWaves*math.Log(b) - ss/(2*b*b) + slowFirst(b) })
}

func gridAt(i int) float64 { return leastUM * math.Pow(gridRatio, float64(i)) }

// grid draws a scatter from its grid by ln of its density there.
func (s *sampler) grid(log func(float64) float64) float64 {
	var logs [gridSize]float64
	top := math.Inf(-1)
	for i := range logs {
		logs[i] = log(gridAt(i))
		top = max(top, logs[i])
	}
	return gridAt(s.choose(logs[:], top))
}

// choose draws an index by ln of its weights; top is the largest of them.
func (s *sampler) choose(logs []float64, top float64) int {
	sum := 0.0
	for i, l := range logs {
		logs[i] = math.Exp(l - top)
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

// wavesFirst: error curves of most indicators span 1 to 20 µm.
func wavesFirst(um float64) float64 {
	l := math.Log(um)
	return math.Log(0.8*bell(l, math.Log(3), 1.2)/1.2 + 0.2*bell(l, math.Log(3), 4)/4)
}

// aloneFirst: single points seldom stand out.
func aloneFirst(um float64) float64 { return math.Log(bell(math.Log(um), math.Log(0.1), 1.5)) }

// slowFirst: the hysteresis is much the same over the range.
func slowFirst(um float64) float64 { return math.Log(bell(math.Log(um), math.Log(0.2), 1.5)) }

func bell(x, mid, sd float64) float64 {
	z := (x - mid) / sd
	return math.Exp(-z * z / 2)
}
