package fit

import (
	"fmt"
	"math"
	"slices"

	"crownmark/fit/crank"
)

// priors of what no file declares. Standard uncertainties.
const (
	rodDeclaredUMM    = 0.1        // a rod measured or from the maker
	offsetDeclaredUMM = 0.03       // a pin offset from the maker, common to all pistons
	offsetAssumedUMM  = 0.6        // nobody said: most pistons lie within ±1.2 mm
	playMM, playUMM   = 0.05, 0.03 // bearings and pins: 0 to 0.1 mm
	flipUMM           = 0.0115
	scaleMean         = 1.03
	scaleU            = 0.08
	creepUMMPerS      = 5e-4 // most stands do not creep; some by 1 µm/s
	sweepShiftUMM     = 0.02 // the hand is off between sweeps: the crank may sit anew
	regripShiftUMM    = 0.02
)

// build lays out the parameters. separate gives the anchor's closing sweeps
// their own index error, so that closure can be seen.
func (j *job) build(separate bool) error {
	offsets, errs := j.link()
	m := &model{}
	j.model = m
	rod, rodU := j.in.Engine.RodOrAssumed()
	if rodU == 0 {
		rodU = rodDeclaredUMM
	}
	offU, allKnown := offsetDeclaredUMM, true
	for _, t := range j.in.Engine.Tops() {
		allKnown = allKnown && t.OffsetKnown
	}
	if !allKnown {
		offU = offsetAssumedUMM
	}
	m.rod = m.add(param{source: srcRod, size: fmt.Sprintf("%.1f mm ± %.1f mm", rod, 2*rodU), sd: rodU, min: -rod / 4})
	m.offset = m.add(param{source: srcOffset, size: fmt.Sprintf("± %.2f mm", 2*offU), sd: offU, min: math.Inf(-1)})
	j.mounts, j.index, j.closing = map[int]int{}, map[int]int{}, none
	j.layEccentricity(m)
	b := builder{job: j, m: m, byKey: map[string]int{}, noises: map[string]*noise{}, started: map[int]float64{}, knocked: map[int]bool{}}
	from := j.closesFrom()
	for i, p := range j.passes {
		top, _ := j.in.Engine.Top(p.src.Cylinder)
		var err error
		if p.geometry, err = crank.New(j.in.Engine.StrokeMM, rod, top.PinOffsetMM); err != nil {
			return err
		}
		closes := from != none && i >= from && p.src.Cylinder == j.anchor && p.mountNo == j.passes[from].mountNo
		b.lay(p, offsets, errs, separate && closes)
	}
	m.passes, m.rides = j.passes, rides(j.passes)
	return nil
}

// closesFrom is the first pass that sweeps the anchor again in its mount: after
// another cylinder or, where the engine has no other, in another setup.
func (j *job) closesFrom() int {
	before, others := map[int]bool{}, map[int]bool{} // by mount: the anchor was swept, then another cylinder
	for i, p := range j.passes {
		again := len(j.in.Engine.Tops()) == 1 && p.src.Setup != j.passes[0].src.Setup
		switch {
		case p.src.Cylinder != j.anchor:
			others[p.mountNo] = others[p.mountNo] || before[p.mountNo] && !j.withAnchor(p)
		case before[p.mountNo] && (others[p.mountNo] || again):
			return i
		default:
			before[p.mountNo] = true
		}
	}
	return none
}

// withAnchor says that the anchor was swept at the same time.
func (j *job) withAnchor(p *pass) bool {
	return slices.ContainsFunc(j.passes, func(q *pass) bool { return q.track == p.track && q.src.Cylinder == j.anchor })
}

// builder hands out parameters by what shares them.
type builder struct {
	job     *job
	m       *model
	byKey   map[string]int
	noises  map[string]*noise
	knocked map[int]bool    // a zero's parameter → a knock has moved it
	started map[int]float64 // creep's parameter → the setup's first top, s
}

// shared is the parameter of that key, laid out where it is new. Only play stays
// above a least value that is 0.
func (b *builder) shared(key string, p param) int {
	i, ok := b.byKey[key]
	if !ok {
		if p.min == 0 && p.source != srcPlay {
			p.min = math.Inf(-1)
		}
		i = b.m.add(p)
		b.byKey[key] = i
	}
	return i
}

// lay gives a pass its parameters.
func (b *builder) lay(p *pass, offsets, errs map[int]float64, closing bool) {
	j, s := b.job, p.src
	nominal := j.nominal(s.Cylinder)
	turns := math.Round((j.first[p] - offsets[p.mountNo] - nominal - errs[s.Cylinder]) / 360)
	p.baseDeg = nominal + 360*turns
	b.layAngle(p, offsets[p.mountNo], errs[s.Cylinder], closing)
	b.laySetup(p)
	p.zero = b.shared(fmt.Sprint("zero ", s.Zeroing, " ", s.Indicator, " ", s.Setup), param{val: maxOf(p.y), sd: math.Inf(1)})
	p.shift = private{sd: sweepShiftUMM}
	b.knocked[p.zero] = b.knocked[p.zero] || slices.ContainsFunc(p.segs, func(g segment) bool { return g.knock })
	if b.knocked[p.zero] { // its zero holds no longer
		p.shift.sd = bumpUMM
	}
	j.layWobble(p, errs[s.Cylinder])
	topTime := p.timeAt(j.first[p])
	p.laySegments(topTime)
	if p.readOff { // nothing moves, and nothing is between crank and mark
		p.tau, p.lash, p.creep = none, none, none
	}
	if _, ok := b.started[p.creep]; !ok {
		b.started[p.creep] = topTime
	}
	p.creepFrom = b.started[p.creep]
	p.layTerms(b.m)
}

// layAngle lays what moves the angle: mount, lash, latency and index error.
func (b *builder) layAngle(p *pass, offset, err float64, closing bool) {
	j, s := b.job, p.src
	lash, pri := j.in.Priors, j.indicatorPrior(s.Indicator)
	p.mount = b.shared(fmt.Sprint("mount ", p.mountNo), param{val: offset, sd: math.Inf(1)})
	j.mounts[p.mountNo] = p.mount
	p.lash = b.shared(fmt.Sprint("lash ", p.mountNo), param{source: srcLash, size: fmt.Sprintf("%.2f° ± %.2f° beforehand", lash.LashDeg, 2*lash.LashUDeg), val: lash.LashDeg, mean: lash.LashDeg, sd: math.Max(lash.LashUDeg, 1e-6)})
	p.tau = b.shared("latency "+s.Indicator, param{source: srcLatency, size: fmt.Sprintf("%.0f ms ± %.0f ms beforehand (%s)", pri.LatencyMS, 2*pri.LatencyUMS, j.priorFrom(s.Indicator)), val: pri.LatencyMS / 1000, mean: pri.LatencyMS / 1000, sd: math.Max(pri.LatencyUMS, 1e-3) / 1000})
	switch {
	case s.Cylinder != j.anchor:
		p.index = b.shared(fmt.Sprint("index ", s.Cylinder), param{val: err, sd: math.Inf(1)})
		j.index[s.Cylinder] = p.index
	case closing:
		p.index = b.shared("closing", param{sd: math.Inf(1)})
		j.closing = p.index
	default:
		p.index = none
		j.index[s.Cylinder] = none
	}
}

// laySetup lays what belongs to a placement of the indicator, and its scatter.
func (b *builder) laySetup(p *pass) {
	s := p.src
	setup := fmt.Sprint("setup ", s.Setup, " ", s.Indicator)
	p.scale = b.shared("scale "+setup, param{source: srcScale, size: fmt.Sprintf("%.2f ± %.2f beforehand", scaleMean, 2*scaleU), val: 1, mean: scaleMean, sd: scaleU})
	p.play = b.shared("play "+setup, param{source: srcPlay, size: fmt.Sprintf("%.0f µm ± %.0f µm beforehand", playMM*1000, 2*playUMM*1000), val: playMM, mean: playMM, sd: playUMM})
	p.flip = b.shared("flip "+setup, param{source: srcFlip, size: fmt.Sprintf("± %.0f µm beforehand", 2*flipUMM*1000), sd: flipUMM})
	p.width = b.shared("width "+setup, param{source: srcFlip, size: "as the tilt flip", val: math.Log(flipWidthDeg), mean: math.Log(flipWidthDeg), sd: flipWidthLogU})
	p.creep = b.shared("creep "+setup, param{source: srcCreep, size: fmt.Sprintf("± %.1f µm/s beforehand", 2*creepUMMPerS*1000), sd: creepUMMPerS})
	if b.noises[setup] == nil {
		b.noises[setup] = b.job.startNoise(p)
	}
	p.noise = b.noises[setup]
}

// startNoise is a setup's scatter before anything was learnt of it. No display
// is better than leastDisplayMM.
func (j *job) startNoise(p *pass) *noise {
	const leastDisplayMM, leastAngleDeg, timeS = 2e-4, 0.005, 0.001
	step := j.indicatorPrior(p.src.Indicator).ResolutionMM
	if step <= 0 {
		step = p.stepMM
	}
	floor := math.Max(step/math.Sqrt(12), leastDisplayMM)
	return &noise{displayMM: 1.5 * floor, floorMM: floor, angleDeg: math.Max(leastAngleDeg, j.encoderStep(p.src.Encoder)/math.Sqrt(12)), timeS: timeS}
}

// laySegments gives each stretch but the one with the top its own offset: a
// re-grip's, or, beyond a knock, one of which nothing is known.
func (p *pass) laySegments(topTime float64) {
	p.seg = make([]private, len(p.segs))
	home := 0
	for i, g := range p.segs {
		if topTime >= g.from {
			home = i
		}
	}
	sd := regripShiftUMM
	for i := home + 1; i < len(p.segs); i++ {
		if p.segs[i].knock {
			sd = bumpUMM
		}
		p.seg[i].sd = sd
	}
	sd = regripShiftUMM
	for i := home - 1; i >= 0; i-- {
		if p.segs[i+1].knock {
			sd = bumpUMM
		}
		p.seg[i].sd = sd
	}
}

// layTerms says which parameters a reading's columns belong to.
func (p *pass) layTerms(m *model) {
	p.terms = p.terms[:0]
	p.terms = append(p.terms, p.wobble...)
	for _, t := range []term{{colAngle, p.mount, 1}, {colAngle, p.index, 1}, {colAngle, p.lash, -p.dir / 2}, {colTau, p.tau, 1},
		{colScale, p.scale, 1}, {colFlip, p.flip, 1}, {colWidth, p.width, 1}, {colOne, p.zero, 1}, {colPlay, p.play, 1},
		{colRod, m.rod, 1}, {colOffset, m.offset, 1}, {colCreep, p.creep, 1}} {
		if t.param != none {
			p.terms = append(p.terms, t)
		}
	}
}

// timeAt is when the encoder first passed an angle, in the sweep's direction.
func (p *pass) timeAt(deg float64) float64 {
	for i, th := range p.track.theta {
		if p.dir*(th-deg) >= 0 {
			return p.track.t0 + float64(i)*p.track.dt
		}
	}
	return p.track.t0 + p.track.dt*float64(len(p.track.theta)-1)
}

func maxOf(v []float64) float64 {
	_, hi := bounds(v)
	return hi
}
