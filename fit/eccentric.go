package fit

import (
	"fmt"
	"math"
)

// An encoder that sits off the crank's axis, or behind a tilted coupling, errs
// once and twice per turn: Σ a_n sin nφ + b_n cos nφ, n = 1, 2, φ the adapter's
// angle. From one mounting no sweep can tell that from the crank; it stays what
// was declared. Turned on the crank by a known angle ρ the adapter errs by
// φ + ρ, and what turns along is the encoder's.

// reclockedUDeg is the standard uncertainty of each part where nobody declared
// one and the re-clocked mounts are to tell.
const reclockedUDeg = 0.1

// nothingDeg: a doubt below it moves nothing, and its inverse square is no number.
const nothingDeg = 1e-9

// layEccentricity adds the four parts where they are declared, or can be seen.
func (j *job) layEccentricity(m *model) {
	j.eccentric = nil
	u := 0.0
	if j.in.Priors.EccentricityUDeg != nil {
		u = math.Min(*j.in.Priors.EccentricityUDeg, nothingKnownDeg)
	} else if j.reclocked() {
		u = reclockedUDeg
	}
	if u < nothingDeg {
		return
	}
	for range 4 {
		j.eccentric = append(j.eccentric, m.add(param{source: srcMounting, size: fmt.Sprintf("%s° standard, once and twice per turn", plain(u)), sd: u, min: math.Inf(-1)}))
	}
}

// reclocked says whether the adapter was turned on the crank by a known angle.
func (j *job) reclocked() bool {
	for _, p := range j.passes {
		if p.src.ReclockDeg != nil && *p.src.ReclockDeg != 0 {
			return true
		}
	}
	return false
}

// layWobble says how the four parts move this pass's top. The error changes a
// little along the sweep: what counts is its mean by the slope that the
// readings have.
func (j *job) layWobble(p *pass, errorDeg float64) {
	p.wobble = p.wobble[:0]
	if len(j.eccentric) == 0 {
		return
	}
	phase := (p.baseDeg + errorDeg) * math.Pi / 180
	if p.src.ReclockDeg != nil {
		phase += *p.src.ReclockDeg * math.Pi / 180
	}
	for n := 1; n <= 2; n++ {
		along := j.meanCosine(p, float64(n))
		sin, cos := math.Sincos(float64(n) * phase)
		p.wobble = append(p.wobble, term{colAngle, j.eccentric[2*n-2], along * sin}, term{colAngle, j.eccentric[2*n-1], along * cos})
	}
}

// meanCosine is the mean of cos nx over a pass, weighted as the top is.
func (j *job) meanCosine(p *pass, n float64) float64 {
	var sum, all float64
	lo, hi := bounds(p.track.theta)
	curve := p.geometry.Curve()
	for x := lo - j.first[p]; x < hi-j.first[p]; x++ {
		_, slope, _, _ := curve.At(x)
		s2 := slope * slope
		w := s2 / (startDisplayMM*startDisplayMM + s2*startAngleDeg*startAngleDeg)
		sum, all = sum+w*math.Cos(n*x*math.Pi/180), all+w
	}
	if all == 0 {
		return 1
	}
	return sum / all
}

// wobble is the encoder's error at a pass's top, degrees.
func (m *model) wobble(p *pass) (deg float64) {
	for _, t := range p.wobble {
		deg += t.coef * m.value(t.param)
	}
	return deg
}

// eccentricity tells the four parts with their doubts; nil where there are none.
// Along a sweep the error is taken as its mean, which is good to 2 % of it.
func (j *job) eccentricity(s *solution, mount int) *Eccentricity {
	if len(j.eccentric) == 0 {
		return nil
	}
	e := &Eccentricity{PriorUDeg: s.model.params[j.eccentric[0]].sd, Declared: j.in.Priors.EccentricityUDeg != nil, Reclocked: j.reclocked(), Mount: mount}
	for n := range 2 {
		sin, cos := j.eccentric[2*n], j.eccentric[2*n+1]
		e.SinDeg[n], e.CosDeg[n] = s.model.value(sin), s.model.value(cos)
		e.SinU95Deg[n], e.CosU95Deg[n] = s.u95(sin), s.u95(cos)
	}
	return e
}
