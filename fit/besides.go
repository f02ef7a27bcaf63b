package fit

import (
	"math"

	"crownmark/fit/crank"
)

const (
	besidesFrom     = 160 // so many readings of a sweep are enough for a look beside
	parabolaHalfDeg = 12.0
	chordFromMM     = 0.25
	chordToMM       = 1.2
)

// What play of up to 0.1 mm leaves in parabola and chord that were swept both
// ways (95 %), degrees.
const parabolaPlayDeg, chordPlayDeg = 0.04, 0.03

// playOneWay is what play H of 0.1 mm shifts parabola and chord by in a sweep one
// way, degrees: a step of that height behind the top against the curve's bend A.
// The parabola's slope takes 3H/4D over its half-window D, its vertex 3H/4DA; the
// chord's middle at a drop h moves by H/2√(2Ah), h in the middle of its range.
func playOneWay(g crank.Geometry) (parabola, chord float64) {
	const deg, mostMM = math.Pi / 180, 0.1
	bend, _, _ := g.Series()
	parabola = 0.75 * mostMM / (parabolaHalfDeg * deg * bend) / deg
	chord = mostMM / (2 * math.Sqrt(bend*(chordFromMM+chordToMM))) / deg
	return parabola, chord
}

// ways gathers one method's tops: in running direction, and against it.
type ways [2]struct{ mid, variance, n float64 }

func (w *ways) add(p *pass, v Vertex, biasDeg float64) {
	way := 0
	if p.dir < 0 {
		way = 1
	}
	w[way].mid += v.AngleDeg - biasDeg
	w[way].variance += v.UDeg * v.UDeg * p.vif
	w[way].n++
}

// halved is the mean of the two directions, which cancels play.
func (w ways) halved() (mid, u95 float64, ok bool) {
	var variance, n float64
	for _, d := range w {
		if d.n > 0 {
			mid += d.mid / d.n
			variance += d.variance / d.n / d.n
			n++
		}
	}
	return mid / n, Expand([]float64{variance / n / n}, []float64{math.Inf(1)}), n > 0
}

// biases is BiasesDeg, worked out once for each geometry.
func (j *job) biases(g crank.Geometry) (parabola, chord float64) {
	b, ok := j.bias[g]
	if !ok {
		b[0], b[1] = BiasesDeg(g)
		j.bias[g] = b
	}
	return b[0], b[1]
}

// curveOf are the readings that served: heights (mm) over angles after the top.
func (p *pass) curveOf() (x, y []float64) {
	for i := range p.t {
		if p.served(i) {
			x, y = append(x, p.x[i]), append(y, p.y[i])
		}
	}
	return x, y
}

// besides puts parabola and chord beside the model: both on angles freed of
// latency and lash, each direction for itself and the two halved; the bias that
// the geometry predicts is taken out.
func (j *job) besides(c *Cylinder, passes []*pass, tdc float64) {
	var parabola, chord ways
	g := passes[0].geometry
	parabolaBias, chordBias := j.biases(g)
	c.ParabolaBiasDeg, c.ChordBiasDeg = ptr(parabolaBias), ptr(chordBias)
	for _, p := range passes {
		x, y := p.curveOf()
		x, y = thinned(x, y, besidesFrom)
		v, err := Parabola(x, y, 0, parabolaHalfDeg)
		if err != nil {
			continue
		}
		parabola.add(p, v, parabolaBias)
		if v, err = Chord(x, y, v, chordFromMM, chordToMM); err == nil {
			chord.add(p, v, chordBias)
		}
	}
	parabolaOne, chordOne := playOneWay(g)
	beside := func(w ways, playBoth, playOne float64) (top, u95 *float64) {
		mid, u, ok := w.halved()
		if !ok {
			return nil, nil
		}
		play := playBoth // it bends the curve behind the top; seen both ways it nearly cancels
		if w[0].n == 0 || w[1].n == 0 {
			play = playOne
		}
		u = math.Hypot(math.Hypot(u, play), *c.TDCU95Deg)
		if math.Abs(mid) > u {
			j.flag(c.Number, FlagDisagree)
		}
		return ptr(tdc + mid), ptr(u)
	}
	c.ParabolaTDCDeg, c.ParabolaU95Deg = beside(parabola, parabolaPlayDeg, parabolaOne)
	c.ChordTDCDeg, c.ChordU95Deg = beside(chord, chordPlayDeg, chordOne)
}
