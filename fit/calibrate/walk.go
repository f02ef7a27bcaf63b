package calibrate

import "math"

// walker holds the random walk's step sizes, learnt while it warms up.
type walker struct {
	theta, p, mid []float64
	sigma         float64
	f, trial      []float64 // by site
	l             float64   // ln likelihood of all sites
	turns         int
}

const learning = 150 // turns in which steps are learnt

func newWalker(dims, points, mids int) walker {
	fill := func(n int) []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = 1
		}
		return v
	}
	return walker{theta: fill(dims), p: fill(points), mid: fill(mids), sigma: 0.5}
}

// drawWalk moves each unknown by itself, the readings before rounding
// integrated out: the only way far where a coarse display hides the scatter.
func (s *sampler) drawWalk() {
	w := &s.walk
	w.turns++
	w.f = w.f[:0]
	for i := range s.sites {
		t := &s.sites[i]
		w.f = append(w.f, s.curve(t.at, t.s)+s.p[t.at])
	}
	w.trial = append(w.trial[:0], w.f...)
	w.l = s.likely(w.f, s.sigma)
	variances := s.priorVariances()
	for k := range s.theta {
		s.walkTheta(k, variances[k])
	}
	v := s.c*s.c + s.refU*s.refU
	for from := 0; from < len(s.sites); {
		to := from + 1
		for to < len(s.sites) && s.sites[to].at == s.sites[from].at {
			to++
		}
		s.walkAlone(from, to, v)
		from = to
	}
	for i := range s.again {
		s.walkMid(i)
	}
	s.walkScatter()
}

// likely is ln of the probability of what all sites showed.
func (s *sampler) likely(f []float64, sigma float64) float64 {
	x := product{p: 1}
	for i := range s.sites {
		s.sites[i].likely(&x, s.table, f[i], 1/sigma, s.step)
	}
	return x.ln()
}

// taken decides a step and learns its size: about four in ten are to be taken.
func (s *sampler) taken(gain float64, step *float64) bool {
	yes := gain >= 0 || math.Log(s.rng.Float64()) < gain
	if s.walk.turns < learning {
		grow := -0.4
		if yes {
			grow = 0.6
		}
		*step *= math.Exp(grow * 4 / math.Sqrt(float64(s.walk.turns)+4))
		*step = min(max(*step, 1e-4), 1e4)
	}
	return yes
}

func (s *sampler) walkTheta(k int, variance float64) {
	w := &s.walk
	d := w.theta[k] * s.step * s.rng.NormFloat64()
	moved := s.theta[k] + d
	for i := range s.sites {
		t := &s.sites[i]
		if k < curveDims {
			w.trial[i] = w.f[i] + d*s.phi[t.at][k]
		} else {
			w.trial[i] = w.f[i] + d*t.s*s.psi[t.at][k-curveDims]
		}
	}
	l := s.likely(w.trial, s.sigma)
	if s.taken(l-w.l+(s.theta[k]*s.theta[k]-moved*moved)/(2*variance), &w.theta[k]) {
		s.theta[k], w.l = moved, l
		w.f, w.trial = w.trial, w.f
	}
}

// walkAlone moves what a reference point has alone, its sites being from to to.
func (s *sampler) walkAlone(from, to int, variance float64) {
	w := &s.walk
	at := s.sites[from].at
	d := w.p[at] * s.step * s.rng.NormFloat64()
	moved := s.p[at] + d
	was, is := product{p: 1}, product{p: 1}
	for i := from; i < to; i++ {
		s.sites[i].likely(&was, s.table, w.f[i], 1/s.sigma, s.step)
		s.sites[i].likely(&is, s.table, w.f[i]+d, 1/s.sigma, s.step)
	}
	gain := is.ln() - was.ln()
	if s.taken(gain+(s.p[at]*s.p[at]-moved*moved)/(2*variance), &w.p[at]) {
		s.p[at], w.l = moved, w.l+gain
		for i := from; i < to; i++ {
			w.f[i] += d
		}
	}
}

func (s *sampler) walkMid(i int) {
	moved := s.mid[i] + s.walk.mid[i]*s.step*s.rng.NormFloat64()
	if s.taken(s.likelyAgain(i, moved, s.sigma)-s.likelyAgain(i, s.mid[i], s.sigma), &s.walk.mid[i]) {
		s.mid[i] = moved
	}
}

// likelyAgain is ln of the probability of what repeats showed.
func (s *sampler) likelyAgain(i int, mid, sigma float64) float64 {
	x := product{p: 1}
	s.again[i].likely(&x, s.table, mid, 1/sigma, s.step)
	return x.ln()
}

func (s *sampler) walkScatter() {
	w := &s.walk
	sigma := s.sigma * math.Exp(w.sigma*s.rng.NormFloat64())
	l := s.likely(w.f, sigma)
	gain := scatterFirst(sigma) - scatterFirst(s.sigma) + l - w.l
	for i := range s.again {
		gain += s.likelyAgain(i, s.mid[i], sigma) - s.likelyAgain(i, s.mid[i], s.sigma)
	}
	if s.taken(gain, &w.sigma) {
		s.sigma, w.l = sigma, l
	}
}
