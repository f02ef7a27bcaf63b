package fit

import "math"

// Where passes were made at once, what they have in common drops out of their
// difference, and each indicator's own scatter is all that is left: it must be known
// apart. The residuals hold both, and the doubt of a coarse track hides the other.

const (
	togetherRounds = 3    // of foretelling and learning, by turns; each goes half the way
	togetherS      = 1e-3 // an indicator's scatter of time to begin with
)

// learnTogether learns the scatter of indicators that read at once anew, from
// the surprises: what is in common is foretold there. Which of them scatters
// more cannot be told well, so that angle and time have one scatter for all.
func (m *model) learnTogether() {
	passes := m.together()
	angle := 0.0
	for _, p := range passes {
		angle = math.Max(angle, p.noise.angleDeg)
	}
	for _, p := range passes {
		p.noise.angleDeg, p.noise.timeS = angle, togetherS
	}
	if len(passes) == 0 {
		return
	}
	m.hear = true
	for range togetherRounds {
		m.whitenAll()
		refineHeard(passes)
	}
	m.hear = false
}

// together are all passes of the indicators that read at once with another.
func (m *model) together() (out []*pass) {
	with := map[string]bool{}
	for _, p := range m.passes {
		with[p.src.Indicator] = with[p.src.Indicator] || len(p.ride.passes) > 1
	}
	for _, p := range m.passes {
		if with[p.src.Indicator] && !p.readOff {
			out = append(out, p)
		}
	}
	return out
}

// refineHeard improves the passes' scatters by what was heard, half the way: what is
// foretold depends on them.
func refineHeard(passes []*pass) {
	var heard []seen
	count, was := map[*noise]float64{}, map[*noise]noise{}
	for _, p := range passes {
		heard = append(heard, p.heard...)
		was[p.noise] = *p.noise
		for _, s := range p.heard {
			count[p.noise] += s.w
		}
	}
	refine(heard, count)
	for n, w := range was {
		n.displayMM, n.angleDeg, n.timeS = math.Sqrt(n.displayMM*w.displayMM), math.Sqrt(n.angleDeg*w.angleDeg), math.Sqrt(n.timeS*w.timeS)
	}
}
