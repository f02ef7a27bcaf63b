package calibrate

import "math"

// walker holds the random walk's step sizes, learnt while it warms up.
type walker struct {
	theta, p, mid []float64
	sigma         float64
	f             []float64 // by site
	l             []float64 // ln likelihood by site
	trialF        []float64
	trialL        []float64
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
	w.f, w.l = w.f[:0], w.l[:0]
	for i := range s.sites {
		t := &s.sites[i]
		f := s.curve(t.at, t.s) + s.p[t.at]
		w.f, w.l = append(w.f, f), append(w.l, t.likelihood(f, s.sigma, s.step))
	}
	w.trialF, w.trialL = append(w.trialF[:0], w.f...), append(w.trialL[:0], w.l...)
	variances := s.priorVariances()
	for k := range s.theta {
		s.walkTheta(k, variances[k])
	}
	v := s.c*s.c + s.refU*s.refU
	for i := range s.sites {
		if i == 0 || s.sites[i].at != s.sites[i-1].at {
			s.walkAlone(i, v)
		}
	}
	for i := range s.again {
		s.walkMid(i)
	}
	s.walkScatter()
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
	new := s.theta[k] + d
	gain := (s.theta[k]*s.theta[k] - new*new) / (2 * variance)
	for i := range s.sites {
		t := &s.sites[i]
		column := 0.0
		if k < curveDims {
			column = s.phi[t.at][k]
		} else {
			column = t.s * s.psi[t.at][k-curveDims]
		}
		w.trialF[i] = w.f[i] + d*column
		w.trialL[i] = t.likelihood(w.trialF[i], s.sigma, s.step)
		gain += w.trialL[i] - w.l[i]
	}
	if s.taken(gain, &w.theta[k]) {
		s.theta[k] = new
		w.f, w.trialF, w.l, w.trialL = w.trialF, w.f, w.trialL, w.l
	}
}

// walkAlone moves what a reference point has alone; its sites begin at first.
func (s *sampler) walkAlone(first int, variance float64) {
	w := &s.walk
	at := s.sites[first].at
	d := w.p[at] * s.step * s.rng.NormFloat64()
	new := s.p[at] + d
	gain := (s.p[at]*s.p[at] - new*new) / (2 * variance)
	end := first
	for ; end < len(s.sites) && s.sites[end].at == at; end++ {
		w.trialL[end] = s.sites[end].likelihood(w.f[end]+d, s.sigma, s.step)
		gain += w.trialL[end] - w.l[end]
	}
	if s.taken(gain, &w.p[at]) {
		s.p[at] = new
		for i := first; i < end; i++ {
			w.f[i], w.l[i] = w.f[i]+d, w.trialL[i]
		}
	}
}

func (s *sampler) walkMid(i int) {
	t := &s.again[i]
	new := s.mid[i] + s.walk.mid[i]*s.step*s.rng.NormFloat64()
	if s.taken(t.likelihood(new, s.sigma, s.step)-t.likelihood(s.mid[i], s.sigma, s.step), &s.walk.mid[i]) {
		s.mid[i] = new
	}
}

func (s *sampler) walkScatter() {
	w := &s.walk
	sigma := s.sigma * math.Exp(w.sigma*s.rng.NormFloat64())
	gain := scatterFirst(sigma) - scatterFirst(s.sigma)
	for i := range s.sites {
		gain += s.sites[i].likelihood(w.f[i], sigma, s.step) - w.l[i]
	}
	for i := range s.again {
		gain += s.again[i].likelihood(s.mid[i], sigma, s.step) - s.again[i].likelihood(s.mid[i], s.sigma, s.step)
	}
	if s.taken(gain, &w.sigma) {
		s.sigma = sigma
	}
}
