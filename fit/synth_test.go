package fit

import (
	"math"
	"math/rand/v2"

	"crownmark/fit/crank"
	"crownmark/fit/engine"
)

// synth is a small maker of sweeps for tests: the joint equation with steady
// speed, its terms put in by hand. The virtual bench, with its own geometry and
// memory of play and lash, stands in another room.
type synth struct {
	eng                      engine.Engine
	latency, lash, offset    float64
	playMM, noiseMM          float64
	flipMM, creepMMPerS      float64
	errDeg                   map[int]float64
	rng                      *rand.Rand
	clock                    float64
	everyS, encoderS         float64 // between readings
	encoderStep, displayStep float64
}

func practiceFour() engine.Engine {
	rod, off, rim := 143.5, -0.8, 168.0
	return engine.Engine{Name: "Practice four", StrokeMM: 86, RodMM: &rod, PinOffsetMM: &off, DamperDiameterMM: &rim, CycleDeg: 720,
		FiringOrder: []int{1, 3, 4, 2}, ReferenceCylinder: 1, IndexLimitDeg: 0.5, TrimStepDeg: 0.1}
}

func newSynth() *synth {
	return &synth{eng: practiceFour(), latency: 0.04, lash: 0.12, offset: 73.2, playMM: 0.03, noiseMM: 0.0007,
		errDeg: map[int]float64{2: -0.42, 3: 1.498, 4: 0.05}, rng: rand.New(rand.NewPCG(1, 2)), everyS: 0.05, encoderS: 0.01, encoderStep: 0.05, displayStep: 0.001}
}

// sweep turns cylinder c through its top from from to to (degrees after it).
func (s *synth) sweep(c, mount, setup int, from, to, degPerS float64) Sweep {
	return s.together([]int{c}, mount, setup, from, to, degPerS)[0]
}

// names of the indicators, in order.
var standing = []string{"left", "right"}

// together turns companion cylinders through their tops at once, each under an
// indicator of its own; from and to are degrees after the first one's.
func (s *synth) together(list []int, mount, setup int, from, to, degPerS float64) (out []Sweep) {
	dir := math.Copysign(1, to-from)
	start := s.clock
	length := math.Abs(to-from) / degPerS
	// An uneven hand: latency can be told from lash.
	turned := func(t float64) float64 {
		return from + dir*degPerS*(t-start) + dir*0.25*(math.Cos(3.1*(t-start))-1)
	}
	first, _ := s.eng.Top(list[0])
	at := s.offset + first.NominalDeg + s.errDeg[list[0]]
	enc := &Series{}
	for t := start - 0.5; t < start+length+0.5; t += s.encoderS {
		enc.T = append(enc.T, t)
		enc.V = append(enc.V, math.Round((at+turned(t)-dir*s.lash/2)/s.encoderStep)*s.encoderStep)
	}
	s.clock += length + 3
	for n, c := range list {
		top, _ := s.eng.Top(c)
		after := fold180(at - s.offset - top.NominalDeg - s.errDeg[c])
		h := s.heights(top.PinOffsetMM, start, length, dir, func(t float64) float64 { return turned(t) + after })
		out = append(out, Sweep{ID: int64(s.clock*10) + int64(n), Cylinder: c, Indicator: standing[n], Mount: mount, Setup: setup + n, Zeroing: setup + n, Encoder: enc, Height: h})
	}
	return out
}

// heights are an indicator's readings while a top is turned through; x is degrees after it.
func (s *synth) heights(offsetMM, start, length, dir float64, x func(t float64) float64) (h Series) {
	g, _ := crank.New(s.eng.StrokeMM, *s.eng.RodMM, offsetMM)
	for t := start; t < start+length; t += s.everyS {
		y, _ := g.Rise(x(t))
		if dir*x(t) > 0 {
			y = math.Min(0, y+s.playMM)
		}
		y += s.flipMM*dir*math.Tanh(x(t)) + s.creepMMPerS*t
		h.T = append(h.T, t+s.latency)
		h.V = append(h.V, math.Round((y+0.118+s.noiseMM*s.rng.NormFloat64())/s.displayStep)*s.displayStep)
	}
	return h
}

// both is a sweep each way.
func (s *synth) both(c, mount, setup int) []Sweep {
	return []Sweep{s.sweep(c, mount, setup, -28, 28, 6), s.sweep(c, mount, setup, 28, -28, 6)}
}

func (s *synth) input(sweeps ...[]Sweep) Input {
	in := Input{Engine: s.eng, Priors: DefaultPriors(), DirectionConfirmed: true}
	for _, g := range sweeps {
		in.Sweeps = append(in.Sweeps, g...)
	}
	return in
}

func cylinderOf(ix Index, n int) Cylinder {
	for _, c := range ix.Cylinders {
		if c.Number == n {
			return c
		}
	}
	return Cylinder{}
}
