package fit

import (
	"math"

	"crownmark/fit/crank"
)

// The joint model, all sweeps of a job at once. For a reading of height y at
// arrival time t in a sweep of direction δ:
//
//	y = h + k·P(S(x), δ, H) + F·δ·g(x) + noise
//	x = θ(t − τ) + δ·b/2 − (O + nominal + E)
//
// θ is the encoder's angle, S the exact rise about the top, P the play operator
// (up: S; down: S + H, never above where it hung), g a smooth step from −1 to
// +1. τ belongs to an indicator; O and b to an encoder mount; k, H, F to a
// setup; h to a zeroing; a small offset to each sweep and to each stretch
// between re-grips; E, the index error, to a cylinder. l and e to the engine.

// param is one unknown with what was known of it before (Gaussian; sd = +Inf:
// nothing).
type param struct {
	source   string // budget line it belongs to
	size     string // its prior in words
	val      float64
	mean, sd float64
	min      float64 // −Inf: none
}

// source names of the budget.
const (
	srcSteps    = "encoder step and timing"
	srcDisplay  = "display step and noise"
	srcLatency  = "latency not told apart"
	srcLash     = "lash not told apart"
	srcPlay     = "play not told apart"
	srcFlip     = "tilt flip not told apart"
	srcScale    = "scale of the indicator"
	srcShift    = "shift between sweeps and re-grips"
	srcRod      = "rod length"
	srcOffset   = "pin offset"
	srcMounting = "encoder mounting (eccentricity)"
	srcAccuracy = "encoder accuracy"
	srcShape    = "curve that leaves the crank's shape"
	srcRepeat   = "sweeps that disagree"
)

// The tilt flip is a smooth step about the top, g(x) = tanh(x/w). How wide is
// not known beforehand: ln w has a prior of its own.
const (
	flipWidthDeg  = 1.2
	flipWidthLogU = 0.5
)

// none marks a parameter that a sweep does not have.
const none = -1

// pass is one usable sweep inside the model.
type pass struct {
	src      *Sweep
	track    track
	dir      float64
	baseDeg  float64 // nominal top plus whole turns, without O and E
	segs     []segment
	geometry crank.Geometry // at the prior rod and offset; rod and offset move it below

	tau, mount, lash, index, scale, play, flip, width, zero, shift int
	seg                                                            []int // one per segment, none for the one at the top

	t, y []float64

	use    []bool    // inside the model's reach
	robust []float64 // weight of the robust loss, 0…1
	w      []float64 // 1/variance × robust, 0 where unused; frozen while the parameters move
	x      []float64 // degrees after its own top
	res    []float64 // residual, mm
	slope  []float64 // dy/dx, mm per degree
	noise  *noise
	vif    float64 // how many neighbouring residuals say the same
}

// noise is one setup's scatter: of the display and of the angle under it.
type noise struct{ displayMM, angleDeg, floorMM float64 }

func (n *noise) variance(slope float64) float64 {
	a := slope * n.angleDeg
	return n.displayMM*n.displayMM + a*a
}

// model is a job's parameters and passes.
type model struct {
	params      []param
	rod, offset int
	strokeMM    float64
	passes      []*pass
}

func (m *model) add(p param) int {
	m.params = append(m.params, p)
	return len(m.params) - 1
}

func (m *model) value(i int) float64 {
	if i == none {
		return 0
	}
	return m.params[i].val
}

// row is one reading's prediction and its derivatives, sparse.
type row struct {
	idx  [14]int
	der  [14]float64
	n    int
	pred float64
	x    float64
	dydx float64
	ok   bool
}

func (r *row) put(i int, d float64) {
	if i == none || d == 0 {
		return
	}
	r.idx[r.n], r.der[r.n] = i, d
	r.n++
}

// numDiffMM is the step for derivatives by rod length and offset, in mm.
const numDiffMM = 0.01

// predict evaluates the model at reading i of pass p.
func (m *model) predict(p *pass, i int, r *row) {
	r.n = 0
	at := p.t[i] - m.value(p.tau)
	theta, vel, ok := p.track.at(at)
	r.ok = ok
	x := theta + p.dir*m.value(p.lash)/2 - m.value(p.mount) - p.baseDeg - m.value(p.index)
	g := p.geometry
	g.L += m.value(m.rod)
	g.E += m.value(m.offset)
	h, k := m.value(p.play), m.value(p.scale)
	rise, drise, caught, byPlay := playOperator(g, x, p.dir, h)
	width := math.Exp(m.value(p.width))
	step := math.Tanh(x / width)
	f := p.dir * m.value(p.flip)
	r.x = x
	r.dydx = k*drise + f*(1-step*step)/width
	r.pred = m.value(p.zero) + m.value(p.shift) + k*rise + f*step

	r.put(p.tau, -vel*r.dydx)
	r.put(p.lash, p.dir/2*r.dydx)
	r.put(p.mount, -r.dydx)
	r.put(p.index, -r.dydx)
	r.put(p.scale, rise)
	r.put(p.flip, p.dir*step)
	r.put(p.width, -f*(1-step*step)*x/width)
	r.put(p.zero, 1)
	r.put(p.shift, 1)
	if s := p.segmentAt(at); s != none {
		r.pred += m.value(p.seg[s])
		r.put(p.seg[s], 1)
	}
	if p.dir*x > 0 {
		r.put(p.play, k*byPlay)
	}
	longer, aside := g, g
	longer.L += numDiffMM
	aside.E += numDiffMM
	plain, _ := g.Rise(x)
	a, _ := longer.Rise(x)
	b, _ := aside.Rise(x)
	r.put(m.rod, k*caught*(a-plain)/numDiffMM)
	r.put(m.offset, k*caught*(b-plain)/numDiffMM)
}

// hangSoftMM rounds the corner where a hanging piston is caught by its rod:
// half a micrometre at most, so that the descent sees no kink.
const hangSoftMM = 0.001

// playOperator is the height of a piston with play h (mm) relative to the top,
// for one pass through the top in direction dir: pushed up it follows the rod;
// pulled down it hangs at the top until the rod has dropped by h. The corner is
// rounded, without a step at the top. caught is dP/dS, 1 where the rod moves it,
// 0 where it hangs; byPlay is dP/dh.
func playOperator(g crank.Geometry, x, dir, h float64) (rise, perDeg, caught, byPlay float64) {
	s, ds := g.Rise(x)
	if dir*x <= 0 {
		return s, ds, 1, 0
	}
	soft := func(v float64) (value, slope float64) {
		root := math.Sqrt(v*v + hangSoftMM*hangSoftMM)
		return (v - root) / 2, (1 - v/root) / 2
	}
	rise, caught = soft(s + h)
	atTop, less := soft(h)
	return rise - atTop, caught * ds, caught, caught - less
}

func (p *pass) segmentAt(at float64) int {
	for i, s := range p.segs {
		if at < s.to || i == len(p.segs)-1 {
			if p.seg[i] == none {
				return none
			}
			return i
		}
	}
	return none
}

// evaluate refreshes x, slope and residual of every reading.
func (m *model) evaluate() {
	var r row
	for _, p := range m.passes {
		for i := range p.t {
			m.predict(p, i, &r)
			p.x[i], p.slope[i], p.res[i] = r.x, r.dydx, p.y[i]-r.pred
		}
	}
}

// cost is half the weighted sum of squares, priors included, by the residuals
// that evaluate left.
func (m *model) cost() float64 {
	var sum float64
	for i := range m.params {
		if p := &m.params[i]; !math.IsInf(p.sd, 1) {
			d := (p.val - p.mean) / p.sd
			sum += d * d
		}
	}
	for _, p := range m.passes {
		for i, w := range p.w {
			sum += w * p.res[i] * p.res[i]
		}
	}
	return sum / 2
}

// weigh freezes the weights for the next descent.
func (m *model) weigh() {
	for _, p := range m.passes {
		for i := range p.w {
			p.w[i] = 0
			if p.use[i] {
				p.w[i] = p.robust[i] / p.noise.variance(p.slope[i])
			}
		}
	}
}
