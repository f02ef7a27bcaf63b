package calibrate

import "math"

// drawRescaled tries other sizes and rates of the waves with the waves made
// larger or smaller along with them, so that a curve without waves finds them
// and one with waves loses them: given the waves, their size hardly moves.
func (s *sampler) drawRescaled() {
	for range 2 {
		i, j := s.a+s.rng.IntN(17)-8, s.rng.IntN(rateCount)
		if i < 0 || i >= gridSize {
			continue
		}
		moved := append(s.moved[:0], s.theta...)
		s.moved = moved
		for k := range waves {
			moved[bows+k] *= s.first.um[i] / s.first.um[s.a] * math.Sqrt(s.first.grows[s.r][k]/s.first.grows[j][k])
		}
		gain := s.first.waves[i] - s.first.waves[s.a] + s.agrees(moved) - s.agrees(s.theta)
		if gain >= 0 || math.Log(s.rng.Float64()) < gain {
			copy(s.theta, moved)
			s.a, s.r = i, j
		}
	}
}

// agrees is ln of the readings' likelihood under a curve: as shown where the
// display is coarse, else before rounding.
func (s *sampler) agrees(theta []float64) float64 {
	x, sum := product{p: 1}, 0.0
	for i := range s.sites {
		t := &s.sites[i]
		f := s.curveOf(theta, t.at, t.s) + s.p[t.at]
		if s.coarse {
			t.likely(&x, s.table, f, 1/s.sigma, s.step)
		} else {
			sum -= t.n * (t.mean - f) * (t.mean - f)
		}
	}
	return x.ln() + sum/(2*s.sigma*s.sigma)
}
