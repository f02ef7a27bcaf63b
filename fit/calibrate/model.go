package calibrate

import (
	"math"
	"math/rand/v2"
	"slices"
)

// The model of an indicator that could have shown these readings, in µm:
//
//	before rounding = Σ β_n P_n(v) + Σ z_k cos(πkt) + p_i + s·(γ0 + Σ g_k cos(πkt)) + ε
//
// over the reference's place t (v the same from −1 to 1 over the range, P_n
// Legendre's polynomials to the third), s = −½ moving in and +½ moving out: a
// smooth error curve whose bows and roughness are learnt (z_k of standard deviation a·k^−r), p_i
// what one reference point has alone (what no smooth curve explains, of scatter
// c, and the reference's own doubt), a hysteresis that varies slowly (g_k of
// b·k^−1), and the scatter ε of one reading (σ). The display then shows the
// nearest step: of a reading only the interval is known that it rounds from.
// Offset and slope are free.
const (
	waves       = 20 // of the error curve
	slowWaves   = 4  // of the hysteresis
	bows        = 4  // offset, slope, and two bows of the error curve: polynomials
	curveDims   = bows + waves
	freeTimes   = 10   // standard deviation of what is free, in sizes of the largest error
	beyondShare = 0.1  // of the range on either side where the waves go on: they need no level ends
	dustMM      = 1e-9 // points closer than this are one place: a number's rounding, no length
)

// site is what one side of one reference point showed.
type site struct {
	at     int
	s      float64 // −½ up, +½ down, 0 where there is one side only
	shown  []float64
	n      float64
	before []float64 // the same readings before rounding, as now drawn
	mean   float64   // of them
}

// model is the layout as the sampler sees it, µm.
type model struct {
	step   float64 // of the display
	sites  []site
	again  []site // repeats; at counts them
	phi    [][]float64
	psi    [][]float64
	place  []float64 // t of each reference point
	origin float64   // mm at t = 0
	perMM  float64   // t per mm
	two    bool      // both sides are there
	free   float64   // standard deviation of what is free
	refU   float64   // standard uncertainty of one reference value
}

func newModel(l layout, stepMM, refUMM float64) model {
	m := model{step: stepMM * 1000, refU: refUMM * 1000, perMM: 1}
	if n := len(l.refs); n > 0 {
		length := l.refs[n-1] - l.refs[0]
		if length > dustMM {
			m.perMM = (1 - 2*beyondShare) / length
		}
		m.origin = l.refs[0] - beyondShare/m.perMM
	}
	m.two = len(l.pairs) > 0
	widest := 0.0
	for _, c := range l.cells {
		m.sites = append(m.sites, newSite(c.at, side(c.down, m.two), c.errors))
		widest = max(widest, math.Abs(c.low), math.Abs(c.top))
	}
	for i, r := range l.repeats {
		if len(r.errors) > 1 {
			m.again = append(m.again, newSite(i, 0, r.errors))
		}
	}
	m.free = freeTimes * (1000*widest + m.step + 1)
	for _, ref := range l.refs {
		t := m.at(ref)
		m.place = append(m.place, t)
		m.phi, m.psi = append(m.phi, curveAt(t)), append(m.psi, slowAt(t, m.slowDims()))
	}
	return m
}

func side(down, two bool) float64 {
	switch {
	case !two:
		return 0
	case down:
		return 0.5
	}
	return -0.5
}

func newSite(at int, s float64, errorsMM []float64) site {
	out := site{at: at, s: s, n: float64(len(errorsMM)), before: make([]float64, len(errorsMM))}
	for _, e := range errorsMM {
		out.shown = append(out.shown, 1000*e)
	}
	copy(out.before, out.shown)
	out.mean = mean(out.shown)
	return out
}

// at is the place t of a reference value.
func (m *model) at(refMM float64) float64 { return (refMM - m.origin) * m.perMM }

// slowDims are the unknowns of the hysteresis.
func (m *model) slowDims() int {
	if m.two {
		return 1 + slowWaves
	}
	return 0
}

// curveAt are the columns of the error curve at a place.
func curveAt(t float64) []float64 {
	row := make([]float64, curveDims)
	v := (2*t - 1) / (1 - 2*beyondShare)
	row[0], row[1], row[2], row[3] = 1, v, (3*v*v-1)/2, (5*v*v*v-3*v)/2
	for k := 1; k <= waves; k++ {
		row[bows+k-1] = math.Cos(math.Pi * float64(k) * t)
	}
	return row
}

// slowAt are the columns of the hysteresis.
func slowAt(t float64, dims int) []float64 {
	row := make([]float64, dims)
	for k := range row {
		row[k] = math.Cos(math.Pi * float64(k) * t)
	}
	return row
}

// redraw draws readings before rounding around a value f with scatter sd.
func (s *site) redraw(rng *rand.Rand, f, sd, step float64) {
	sum := 0.0
	for i, shown := range s.shown {
		s.before[i] = f + sd*between(rng, (shown-step/2-f)/sd, (shown+step/2-f)/sd)
		sum += s.before[i]
	}
	s.mean = sum / s.n
}

// squares is the sum of squares of the readings around f.
func (s *site) squares(f float64) float64 {
	sum := 0.0
	for _, v := range s.before {
		sum += (v - f) * (v - f)
	}
	return sum
}

// likely multiplies x by the probability of what a site showed, given f and
// one over the scatter.
func (s *site) likely(x *product, table *bellTable, f, perSD, step float64) {
	last, value := math.Inf(1), 0.0
	for _, shown := range s.shown {
		if shown != last {
			z := (shown - f) * perSD
			half := step / 2 * perSD
			last, value = shown, table.below(z+half)-table.below(z-half)
			if value < leastP {
				value = leastP * math.Exp(-min(math.Abs(z), 30))
			}
		}
		x.times(value)
	}
}

// scatter0 is a first guess of the scatter of one reading, rounding and all.
func (m *model) scatter0() float64 {
	ss, free := 0.0, 0.0
	for _, sites := range [][]site{m.sites, m.again} {
		for i := range sites {
			s := &sites[i]
			ss, free = ss+s.squares(s.mean), free+s.n-1
		}
	}
	if free >= 3 {
		return math.Sqrt(ss / free)
	}
	var steps []float64 // second differences along one side: 6σ² where the curve is smooth
	for i := 4; i < len(m.sites); i++ {
		if a, b, c := m.sites[i-4], m.sites[i-2], m.sites[i]; a.s == b.s && b.s == c.s {
			steps = append(steps, math.Abs(a.mean-2*b.mean+c.mean))
		}
	}
	if len(steps) == 0 {
		return m.step
	}
	slices.Sort(steps)
	return steps[len(steps)/2] / 0.6745 / math.Sqrt(6)
}
