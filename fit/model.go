package fit

import (
	"math"
	"slices"

	"crownmark/fit/crank"
)

// The joint model, all sweeps of a job at once. For a reading of height y at
// arrival time t in a sweep of direction δ:
//
//	y = h + k·P(S(x), δ, H) + F·δ·g(x) + C·(t − t₀) + noise
//	x = θ(t − τ) + δ·b/2 − (O + nominal + E)
//
// θ is the encoder's angle, S the exact rise about the top, P the play operator
// (up: S; down: S + H, never above where it hung), g a smooth step from −1 to
// +1. τ belongs to an indicator; O and b to an encoder mount; k, H, F, the width
// of g and the stand's creep C to a setup; h to a zeroing; a small offset to each sweep and
// to each stretch between re-grips; E, the index error, to a cylinder. l and e
// to the engine.

// param is one unknown with what was known of it before (Gaussian; sd = +Inf:
// nothing).
type param struct {
	source   string // budget line it belongs to
	size     string // its prior in words
	val, old float64
	mean, sd float64
	min      float64 // −Inf: none
}

// source names of the budget.
const (
	srcSteps    = "encoder step and timing"
	srcMarks    = "angles read off marks"
	srcDisplay  = "display step and noise"
	srcLatency  = "latency not told apart"
	srcLash     = "lash not told apart"
	srcPlay     = "play not told apart"
	srcFlip     = "tilt flip not told apart"
	srcScale    = "scale of the indicator"
	srcCreep    = "creep of the stand"
	srcShift    = "shift between sweeps and re-grips"
	srcRod      = "rod length"
	srcOffset   = "pin offset"
	srcMounting = "encoder mounting (eccentricity)"
	srcAccuracy = "encoder accuracy"
	srcShape    = "curve that leaves the crank's shape"
	srcCurve    = "indicator calibration"
	srcClosure  = "closure that does not close"
	srcRepeat   = "sweeps that disagree"
)

// The tilt flip is a smooth step about the top, g(x) = tanh(x/w). How wide is
// not known beforehand: ln w has a prior of its own.
const (
	flipWidthDeg  = 1.0
	flipWidthLogU = 0.4
)

// none marks a parameter that a sweep does not have.
const none = -1

// pass is one usable sweep inside the model.
type pass struct {
	src      *Sweep
	track    *track
	ride     *ride
	place    int  // among the passes of its ride
	readOff  bool // angles read off marks, at rest; the readings' number is their time
	dir      float64
	stepMM   float64 // the display's step, as its readings show it
	mountNo  int     // the source's mount; below 0: begun where counts were lost
	baseDeg  float64 // nominal top plus whole turns, without O and E
	segs     []segment
	geometry crank.Geometry // by the engine file; bent moves rod and offset

	tau, mount, lash, index, scale, play, flip, width, creep, zero int
	creepFrom                                                      float64 // s
	terms                                                          []term  // what each column of a reading's derivatives belongs to
	wobble                                                         []term  // the encoder's eccentricity at this top
	shift                                                          private // the sweep's own offset
	seg                                                            []private

	t, y   []float64
	shown  []float64   // y before its correction
	errors *errorCurve // nil: taken as shown
	bent   [][]float64 // by lane: what it moves the readings by; nil: nothing

	stride int       // every stride-th reading is looked at
	use    []bool    // inside the model's reach
	robust []float64 // how surely it is no wrong reading, 0…1
	w      []float64 // 1/variance × robust, 0 where unused; frozen while the parameters move
	x      []float64 // degrees after its own top
	res    []float64 // residual, mm
	slope  []float64 // dy/dx, mm per degree
	vel    []float64 // dx/dt, degrees per second
	noise  *noise
	lag    float64 // s: the latency when the readings were chosen, for the angle's doubt

	heard    []seen    // the surprises' squares, and of what they were foretold
	surprise []float64 // what each reading says of the top beyond those before it
	vif      float64   // how many neighbouring readings say the same
}

// term says that a column belongs to a parameter, times coef.
type term struct {
	col, param int
	coef       float64
}

// private is an unknown that one stretch of one sweep has for itself, with
// prior mean 0; sd 0: fixed at 0.
type private struct{ val, sd, old float64 }

// model is a job's parameters and passes.
type model struct {
	params      []param
	rod, offset int
	passes      []*pass
	rides       []*ride
	seen        []seen // room for learnNoise to work in
	hear        bool   // whiten keeps what passes' scatters are learnt from
}

// byEye says that no sweep had an encoder.
func (m *model) byEye() bool {
	return !slices.ContainsFunc(m.passes, func(p *pass) bool { return !p.readOff })
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

// Columns of a reading's derivatives. They are fewer than the parameters: a
// mount's offset, an index error and a lash all move the angle.
const (
	colAngle = iota // −dy/dx
	colTau
	colScale
	colFlip
	colWidth
	colOne // zero, the sweep's and the stretch's own offset
	colPlay
	colRod
	colOffset
	colCreep
	colCount
)

type columns [colCount]float64

// view is one pass at the current parameters.
type view struct {
	curve                                        crank.Curve
	tau, shiftDeg, dir                           float64
	scale, play, atTop, lessTop                  float64
	flip, width, offsetMM, creepMMPerS, creepAtS float64
}

// bent is a pass's geometry with the rod and the offset that the sweeps chose.
func (m *model) bent(p *pass) crank.Geometry {
	g := p.geometry
	g.L += m.value(m.rod)
	g.E += m.value(m.offset)
	return g
}

func (m *model) viewOf(p *pass) view {
	v := view{curve: m.bent(p).Curve(), tau: m.value(p.tau), dir: p.dir,
		shiftDeg: p.dir*m.value(p.lash)/2 - m.value(p.mount) - p.baseDeg - m.value(p.index) - m.wobble(p),
		scale:    m.value(p.scale), play: m.value(p.play), flip: p.dir * m.value(p.flip), width: math.Exp(m.value(p.width)),
		offsetMM: m.value(p.zero) + p.shift.val, creepMMPerS: m.value(p.creep), creepAtS: p.creepFrom}
	v.atTop, v.lessTop = soft(v.play)
	return v
}

// at predicts reading i of pass p, without its stretch's offset, and its
// derivatives by columns.
func (v *view) at(p *pass, i int, d *columns) (pred, x, slope, vel float64) {
	theta, vel, _ := p.track.at(p.t[i] - v.tau)
	x = theta + v.shiftDeg
	pred, slope = v.over(x, vel, p.t[i]-v.creepAtS, d)
	return pred, x, slope, vel
}

// over is at for a crank angle after the top (deg), a speed (deg/s) and a time
// of creeping (s).
func (v *view) over(x, vel, creep float64, d *columns) (pred, slope float64) {
	rise, perDeg, byRod, byOffset := v.curve.At(x)
	caught, byPlay := 1.0, 0.0
	if v.dir*x > 0 {
		rise, perDeg, caught, byPlay = v.hang(rise, perDeg)
	}
	step, bend := v.rock(x)
	slope = v.scale*perDeg + v.flip*bend
	d[colAngle] = -slope
	d[colTau] = -vel * slope
	d[colScale] = rise
	d[colFlip] = v.dir * step
	d[colWidth] = -v.flip * bend * x
	d[colOne] = 1
	d[colPlay] = v.scale * byPlay
	d[colRod] = v.scale * caught * byRod
	d[colOffset] = v.scale * caught * byOffset
	d[colCreep] = creep
	return v.offsetMM + v.scale*rise + v.flip*step + v.creepMMPerS*creep, slope
}

// rock is the tilt flip's step, tanh(x/w), and its slope.
func (v *view) rock(x float64) (step, perDeg float64) {
	u := x / v.width
	if u > 20 || u < -20 {
		return math.Copysign(1, u), 0
	}
	step = math.Tanh(u)
	return step, (1 - step*step) / v.width
}

// hangSoftMM rounds the corner where a hanging piston is caught by its rod:
// half a micrometre at most, so that the descent sees no kink.
const hangSoftMM = 0.001

// soft is min(v, 0) with its corner rounded, and its slope.
func soft(v float64) (value, slope float64) {
	root := math.Sqrt(v*v + hangSoftMM*hangSoftMM)
	return (v - root) / 2, (1 - v/root) / 2
}

// hang is the play operator past the top in the direction of turning: pulled
// down the piston hangs at the top until the rod has dropped by the play. The
// corner is rounded, without a step at the top. caught is dP/dS, 1 where the
// rod moves it, 0 where it hangs; byPlay is dP/dH.
func (v *view) hang(rod, rodPerDeg float64) (rise, perDeg, caught, byPlay float64) {
	value, caught := soft(rod + v.play)
	return value - v.atTop, caught * rodPerDeg, caught, caught - v.lessTop
}

// weigh freezes the weights for the next descent.
func (m *model) weigh() {
	for _, p := range m.passes {
		clear(p.w)
		for i := 0; i < len(p.w); i += p.stride {
			if p.use[i] {
				p.w[i] = p.robust[i] / p.variance(i)
			}
		}
	}
}
