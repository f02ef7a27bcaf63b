//go:build accuracy

package main

import (
	"math"
	"math/rand/v2"
	"sort"
	"strings"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// kind is what is the same for a whole run of jobs.
type kind struct {
	name   string
	ways   virtual.Ways
	change func(*virtual.Disturbances) // nil: as drawn
}

// outcome is one virtual job and what the fit made of it.
type outcome struct {
	seed                        uint64
	engine                      engine.Engine
	truth                       virtual.Truth
	creep, regrip, eccentric    bool
	degPerS                     float64 // mean over the used readings
	playMM, scale               float64 // mean over the placements
	miss, u95, variance         []float64
	refused                     []string // one per index error without a value
	flags                       map[string]bool
	eccentricityU, resolutionMM float64
}

func (o *outcome) inside() (n int) {
	for i, m := range o.miss {
		if math.Abs(m) <= o.u95[i] {
			n++
		}
	}
	return n
}

// core is a job with instruments as they should be, and nothing that no fit
// can see.
func (o *outcome) core() bool {
	return o.truth.Indicators[0].RateHz >= 10 && o.truth.Encoder.CountsPerRev >= 2400 && !o.creep && !o.regrip && !o.eccentric
}

// drawEngine tosses an engine of two or three cylinders with its pin offset
// declared.
func drawEngine(r *rand.Rand) engine.Engine {
	uniform := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	stroke := uniform(50, 110)
	rod, offset := stroke*uniform(1.5, 2), uniform(-1.5, 1.5)
	e := engine.Engine{Name: "drawn", StrokeMM: stroke, RodMM: &rod, PinOffsetMM: &offset, RunningDirection: "clockwise",
		CycleDeg: 720, ReferenceCylinder: 1, IndexLimitDeg: 0.25, TrimStepDeg: 0.1}
	step := []float64{90, 120, 180, 240}[r.IntN(4)]
	for n := range 2 + r.IntN(2) {
		e.Cylinder = append(e.Cylinder, engine.Cylinder{Number: n + 1, TDCDeg: float64(n) * step})
	}
	return e
}

// drawJob tosses engine and bench. Each of creep, re-grip steps and
// eccentricity is on in a third of the jobs.
func drawJob(seed uint64, k kind) *outcome {
	r := rand.New(rand.NewPCG(seed, 0xacc))
	o := &outcome{seed: seed, engine: drawEngine(r), flags: map[string]bool{}}
	d := virtual.DefaultDisturbances()
	d.CountsPerRev = []int{1440, 2400, 3600, 7200, 10000, 20000}
	d.Steps = []virtual.Step{{Unit: "mm", Size: 0.001}, {Unit: "mm", Size: 0.002}, {Unit: "mm", Size: 0.01}, {Unit: "in", Size: 0.0005}}
	d.IndicatorHz = []float64{3, 5, 10, 20, 50}
	d.LatencyMS, d.LatencyJitterMS = virtual.Range{Hi: 100}, virtual.Range{Lo: 1, Hi: 2}
	d.LashDeg, d.PlayMM = virtual.Range{Hi: 0.4}, virtual.Range{Hi: 0.1}
	d.TiltFlipMM, d.TiltWidthDeg = virtual.Range{Lo: -0.02, Hi: 0.02}, virtual.Range{Lo: 0.6, Hi: 1.2}
	d.SpikeShare, d.Scale = virtual.Range{Hi: 0.05}, virtual.Range{Lo: 0.9, Hi: 1.15}
	if r.IntN(3) == 0 {
		d.CreepMMPerS = virtual.Range{Lo: -0.001, Hi: 0.001}
	}
	if r.IntN(3) == 0 {
		d.Hand.RegripStepMM = 0.02
	}
	if r.IntN(3) == 0 {
		d.EccentricityUDeg = 0.05
	}
	if k.change != nil {
		k.change(&d)
	}
	o.creep, o.regrip, o.eccentric = d.CreepMMPerS != virtual.Range{}, d.Hand.RegripStepMM > 0, d.EccentricityUDeg > 0
	o.eccentricityU = d.EccentricityUDeg
	o.truth = virtual.Draw(virtualEngine(o.engine), seed, d)
	for _, s := range o.truth.Setups {
		o.playMM += s.PlayMM / float64(len(o.truth.Setups))
		o.scale += s.Scale / float64(len(o.truth.Setups))
	}
	o.resolutionMM = o.truth.Indicators[0].Step
	if o.truth.Indicators[0].Unit == "in" {
		o.resolutionMM *= 25.4
	}
	return o
}

// runJob sweeps once each way (or as the kind says) through every top, the
// reference again at the end, and fits.
func runJob(seed uint64, k kind) *outcome {
	o := drawJob(seed, k)
	plan := virtual.DefaultPlan()
	plan.Ways, plan.SpeedDegS, plan.LimitDegS = k.ways, virtual.Range{Lo: 2, Hi: 15}, virtual.Range{Lo: 2, Hi: 15}
	in := fit.Input{Engine: o.engine, Priors: declared(o.truth.Encoder.CountsPerRev, o.resolutionMM, o.eccentricityU),
		DirectionConfirmed: true, Simulated: true}
	others := len(o.truth.Cylinders) - 1
	if err := virtual.Simulate(o.truth, plan, gathering(&in)); err != nil {
		o.refuse(others, "bench: "+err.Error())
		return o
	}
	x, err := fit.Solve(in)
	switch {
	case err != nil:
		o.refuse(others, "error: "+err.Error())
	case x.Status != "ok":
		o.refuse(others, "status: "+x.Status)
	default:
		o.take(x, in)
	}
	return o
}

func (o *outcome) refuse(n int, reason string) {
	for range n {
		o.refused = append(o.refused, reason)
	}
}

// gathering puts rows together into sweeps that share one encoder stream.
func gathering(in *fit.Input) func(virtual.Row) error {
	encoder := &fit.Series{}
	return func(r virtual.Row) error {
		if r.HeightMM == nil {
			encoder.T, encoder.V = append(encoder.T, r.TS), append(encoder.V, r.AngleDeg)
			return nil
		}
		if n := len(in.Sweeps); n == 0 || in.Sweeps[n-1].ID != int64(r.Sweep) {
			in.Sweeps = append(in.Sweeps, fit.Sweep{ID: int64(r.Sweep), Cylinder: r.Cylinder, Indicator: r.Indicator,
				Mount: r.Mount, Setup: r.Setup, Zeroing: r.Zeroing, Encoder: encoder})
		}
		h := &in.Sweeps[len(in.Sweeps)-1].Height
		h.T, h.V = append(h.T, r.TS), append(h.V, *r.HeightMM)
		return nil
	}
}

// take notes each index error's miss, doubt and bound.
func (o *outcome) take(x fit.Index, in fit.Input) {
	bound := o.limit(x, in).variances(o.engine.Reference())
	for _, c := range x.Cylinders {
		for _, f := range c.Flags {
			o.flags[f] = true
		}
		switch {
		case c.Number == o.engine.Reference():
		case c.IndexErrorDeg == nil || c.IndexU95Deg == nil:
			o.refuse(1, "no value: "+strings.Join(c.Flags, " "))
		default:
			o.miss = append(o.miss, *c.IndexErrorDeg-truthOf(o.truth, c.Number))
			o.u95 = append(o.u95, *c.IndexU95Deg)
			v := math.NaN()
			if b, ok := bound[c.Number]; ok {
				v = b + o.eccentricity(c.Number)
			}
			o.variance = append(o.variance, v)
		}
	}
}

// eccentricity is the variance that errors once and twice a turn, sine and
// cosine each normal, give the difference of two angles.
func (o *outcome) eccentricity(number int) (v float64) {
	for _, c := range o.truth.Cylinders {
		if c.Number == number {
			for n := 1.0; n <= 2; n++ {
				s := 2 * o.eccentricityU * math.Sin(n*c.NominalDeg/2*math.Pi/180)
				v += s * s
			}
		}
	}
	return v
}

// limit is what the bound is made of, from the truth and the times of the
// readings that the fit used.
func (o *outcome) limit(x fit.Index, in fit.Input) limitOf {
	t := o.truth
	ind := t.Indicators[0]
	j := limitOf{crank: thrust{t.Engine.StrokeMM / 2, t.Engine.RodMM, t.Engine.Cylinders[0].PinOffsetMM}, stands: map[int]stand{},
		noiseMM: ind.NoiseMM, stepMM: o.resolutionMM, jitter: ind.JitterMS / 1e3, keep: 1 - ind.SpikeShare}
	var speed, n float64
	placed := map[int]float64{} // about when, s
	for _, s := range in.Sweeps {
		if _, ok := placed[s.Setup]; !ok {
			placed[s.Setup] = s.Height.T[0]
		}
		setup := t.Setups[(s.Setup-1)%len(t.Setups)]
		j.stands[s.Setup] = stand{setup.Scale, setup.PlayMM, setup.TiltFlipMM, setup.TiltWidthDeg}
		sw := seen{cylinder: s.Cylinder, placement: s.Setup, dir: 1}
		first, last := s.Height.T[0], s.Height.T[len(s.Height.T)-1]
		if angleAt(s.Encoder, last) < angleAt(s.Encoder, first) {
			sw.dir = -1
		}
		lo, hi := reachOf(x, s.ID)
		for _, at := range s.Height.T {
			at -= ind.LatencyMS / 1e3
			deg := angleAt(s.Encoder, at) + sw.dir*t.Encoder.LashDeg/2 - topOf(t, s.Cylinder)
			if deg = math.Remainder(deg, 360); deg < lo || deg > hi {
				continue
			}
			v := (angleAt(s.Encoder, at+0.15) - angleAt(s.Encoder, at-0.15)) / 0.3
			sw.xDeg, sw.degPerS = append(sw.xDeg, deg), append(sw.degPerS, v)
			sw.at, sw.standing = append(sw.at, at), append(sw.standing, at-placed[s.Setup])
			speed, n = speed+math.Abs(v), n+1
		}
		o.listen(&sw, s.Encoder)
		j.sweeps = append(j.sweeps, sw)
	}
	o.degPerS = speed / math.Max(n, 1)
	return j
}

// listen adds what the encoder tells of a sweep's way, how restless the hand
// is, and between which re-grips each reading lies.
func (o *outcome) listen(sw *seen, s *fit.Series) {
	if len(sw.at) == 0 {
		return
	}
	const besideS, stopS = 0.6, 0.45
	e, step := o.truth.Encoder, 360/float64(o.truth.Encoder.CountsPerRev)
	mean := 0.0
	for _, v := range sw.degPerS {
		mean += math.Abs(v) / float64(len(sw.degPerS))
	}
	sw.restless = math.Pow(mean*o.truth.Hand.Unevenness*0.6, 2) // the drift of its mood
	var stops []float64
	last := math.NaN()
	first := sort.SearchFloat64s(s.T, sw.at[0]-besideS)
	for i := max(first, 1); i < len(s.T) && s.T[i] < sw.at[len(sw.at)-1]+besideS; i++ {
		moved := math.Abs(s.V[i] - s.V[i-1])
		if moved < step/2 {
			continue
		}
		if s.T[i]-last > stopS && s.T[i] > sw.at[0] && last < sw.at[len(sw.at)-1] {
			stops = append(stops, (s.T[i]+last)/2)
		}
		last = s.T[i]
		turned := min(step, mean*(s.T[i]-s.T[i-1])) // within a count, or between two lines
		late := mean * e.JitterMS / 1e3
		sw.encoder = append(sw.encoder, change{(s.T[i] + s.T[i-1]) / 2, turned*turned/12 + late*late + 1e-12})
	}
	after := func(t float64) int { return sort.SearchFloat64s(stops, t) }
	top := sw.at[0]
	for i, x := range sw.xDeg {
		if sw.dir*x < 0 {
			top = sw.at[i]
		}
	}
	for _, t := range sw.at {
		sw.grip = append(sw.grip, after(t)-after(top))
	}
}

func topOf(t virtual.Truth, number int) float64 {
	for _, c := range t.Cylinders {
		if c.Number == number {
			return c.TDCDeg
		}
	}
	return math.NaN()
}

// angleAt is the encoder's angle at a time, linear between its lines.
func angleAt(s *fit.Series, at float64) float64 {
	i := sort.SearchFloat64s(s.T, at)
	if i == 0 || i == len(s.T) {
		return s.V[min(i, len(s.V)-1)]
	}
	share := (at - s.T[i-1]) / (s.T[i] - s.T[i-1])
	return s.V[i-1] + share*(s.V[i]-s.V[i-1])
}

// runMany runs jobs of one kind, seeds from 1001.
func runMany(jobs int, k kind) []*outcome {
	out := make([]*outcome, jobs)
	inParallel(jobs, func(i int) { out[i] = runJob(uint64(1001+i), k) })
	return out
}
