package fit

import (
	"fmt"
	"math"
	"slices"

	"crownmark/fit/crank"
)

// job is one Solve at work: the input, the model and what was said about each
// cylinder on the way.
type job struct {
	in        Input
	lumped    map[string]bool // indicators whose latency beforehand is from how their readings came
	model     *model
	passes    []*pass           // every sweep that can be fitted
	first     map[*pass]float64 // its first top, encoder degrees
	flags     map[int][]string  // by cylinder
	streams   map[*Series]*Series
	wild      map[*Series][]float64 // times (s) of a stream's wild angles
	refused   map[int][]string      // by cylinder: why sweeps could not be fitted
	anchor    int                   // the cylinder that tops are counted from: the reference if it was swept
	mounts    map[int]int           // mount → parameter
	index     map[int]int           // cylinder → parameter, none for the anchor
	eccentric []int                 // parameters of the encoder's eccentricity, none where undeclared and unseen
	strays    []string              // advice about sweeps of another cylinder
	closing   int                   // parameter of the anchor swept again, none if it was not
	refrain   int                   // first pass index that closes, −1
}

func (j *job) flag(cylinder int, f string) {
	if !slices.Contains(j.flags[cylinder], f) {
		j.flags[cylinder] = append(j.flags[cylinder], f)
	}
}

// flagsOf is never nil: JSON lists no flags as [].
func (j *job) flagsOf(cylinder int) []string {
	return append([]string{}, j.flags[cylinder]...)
}

// dropStrays leaves out each sweep whose top lies far from most others of its
// cylinder in the same mount: the indicator stood on another cylinder.
func (j *job) dropStrays() {
	apart := func(p, q *pass) bool { return math.Abs(fold180(j.first[p]-j.first[q])) > wrongCylinderDeg }
	alike := func(p, q *pass) bool { return p.src.Cylinder == q.src.Cylinder && p.mountNo == q.mountNo }
	var strays []*pass
	for _, p := range j.passes {
		with, against := 0, 0
		first := p
		for i := len(j.passes) - 1; i >= 0; i-- {
			switch q := j.passes[i]; {
			case !alike(p, q):
			case apart(p, q):
				against, first = against+1, q
			default:
				with, first = with+1, q
			}
		}
		if against > with || against == with && apart(p, first) { // the earlier ones are believed
			strays = append(strays, p)
		}
	}
	for _, p := range strays {
		j.flag(p.src.Cylinder, FlagStray)
		j.strays = append(j.strays, fmt.Sprintf("Sweep %d, recorded as cylinder %d, has its top far from that cylinder's other sweeps: the indicator stood on another one. Assign the sweep to the cylinder it belongs to, or set it aside.", p.src.ID, p.src.Cylinder))
	}
	j.passes = slices.DeleteFunc(j.passes, func(p *pass) bool { return slices.Contains(strays, p) })
}

// fitted says whether a cylinder has a sweep that can be fitted.
func (j *job) fitted(cylinder int) bool {
	return slices.ContainsFunc(j.passes, func(p *pass) bool { return p.src.Cylinder == cylinder })
}

// link finds, over mounts and cylinders that share sweeps, a first value for
// every mount's offset and every cylinder's error, starting from the anchor.
// Passes that nothing links to it are left out and flagged.
func (j *job) link() (offsets, errors map[int]float64) {
	offsets, errors = map[int]float64{}, map[int]float64{j.anchor: 0}
	for range len(j.passes) + 1 {
		grown := false
		for _, p := range j.passes {
			nominal := j.nominal(p.src.Cylinder)
			_, haveO := offsets[p.mountNo]
			e, haveE := errors[p.src.Cylinder]
			switch {
			case haveE && !haveO:
				offsets[p.mountNo], grown = j.first[p]-nominal-e, true
			case haveO && !haveE:
				errors[p.src.Cylinder], grown = fold180(j.first[p]-nominal-offsets[p.mountNo]), true
			}
		}
		if !grown {
			break
		}
	}
	j.passes = slices.DeleteFunc(j.passes, func(p *pass) bool {
		_, ok := offsets[p.mountNo]
		if !ok {
			j.flag(p.src.Cylinder, FlagMountUnlinked)
		}
		return !ok
	})
	return offsets, errors
}

func (j *job) nominal(cylinder int) float64 {
	t, _ := j.in.Engine.Top(cylinder)
	return t.NominalDeg
}

// fold180 folds an angle into (−180, 180].
func fold180(deg float64) float64 {
	deg = math.Mod(deg, 360)
	switch {
	case deg > 180:
		deg -= 360
	case deg <= -180:
		deg += 360
	}
	return deg
}

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
	m := &model{strokeMM: j.in.Engine.StrokeMM}
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
	j.mounts, j.index, j.closing, j.refrain = map[int]int{}, map[int]int{}, none, -1
	j.layEccentricity(m)
	b := builder{job: j, m: m, byKey: map[string]int{}, noises: map[string]*noise{}, started: map[int]float64{}, knocked: map[int]bool{}}
	before, others := map[int]bool{}, map[int]bool{} // by mount: the anchor was swept, then another cylinder
	for i, p := range j.passes {
		top, _ := j.in.Engine.Top(p.src.Cylinder)
		var err error
		if p.geometry, err = crank.New(j.in.Engine.StrokeMM, rod, top.PinOffsetMM); err != nil {
			return err
		}
		again := len(j.in.Engine.Tops()) == 1 && p.src.Setup != j.passes[0].src.Setup
		switch {
		case p.src.Cylinder != j.anchor:
			others[p.mountNo] = before[p.mountNo]
		case before[p.mountNo] && (others[p.mountNo] || again) && j.refrain < 0:
			j.refrain = i
		default:
			before[p.mountNo] = true
		}
		b.lay(p, offsets, errs, separate && j.refrain >= 0 && p.src.Cylinder == j.anchor && p.mountNo == j.passes[j.refrain].mountNo)
	}
	m.passes = j.passes
	return nil
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

func (b *builder) lay(p *pass, offsets, errs map[int]float64, closing bool) {
	j, s := b.job, p.src
	pri := j.indicatorPrior(s.Indicator)
	free := math.Inf(1)
	nominal := j.nominal(s.Cylinder)
	turns := math.Round((j.first[p] - offsets[p.mountNo] - nominal - errs[s.Cylinder]) / 360)
	p.baseDeg = nominal + 360*turns

	lash := j.in.Priors
	p.mount = b.shared(fmt.Sprint("mount ", p.mountNo), param{val: offsets[p.mountNo], sd: free})
	j.mounts[p.mountNo] = p.mount
	p.lash = b.shared(fmt.Sprint("lash ", p.mountNo), param{source: srcLash, size: fmt.Sprintf("%.2f° ± %.2f° beforehand", lash.LashDeg, 2*lash.LashUDeg), val: lash.LashDeg, mean: lash.LashDeg, sd: math.Max(lash.LashUDeg, 1e-6)})
	p.tau = b.shared("latency "+s.Indicator, param{source: srcLatency, size: fmt.Sprintf("%.0f ms ± %.0f ms beforehand (%s)", pri.LatencyMS, 2*pri.LatencyUMS, j.priorFrom(s.Indicator)), val: pri.LatencyMS / 1000, mean: pri.LatencyMS / 1000, sd: math.Max(pri.LatencyUMS, 1e-3) / 1000})
	switch {
	case s.Cylinder != j.anchor:
		p.index = b.shared(fmt.Sprint("index ", s.Cylinder), param{val: errs[s.Cylinder], sd: free})
		j.index[s.Cylinder] = p.index
	case closing:
		p.index = b.shared("closing", param{sd: free})
		j.closing = p.index
	default:
		p.index = none
		j.index[s.Cylinder] = none
	}
	setup := fmt.Sprint("setup ", s.Setup, " ", s.Indicator)
	p.scale = b.shared("scale "+setup, param{source: srcScale, size: fmt.Sprintf("%.2f ± %.2f beforehand", scaleMean, 2*scaleU), val: 1, mean: scaleMean, sd: scaleU})
	p.play = b.shared("play "+setup, param{source: srcPlay, size: fmt.Sprintf("%.0f µm ± %.0f µm beforehand", playMM*1000, 2*playUMM*1000), val: playMM, mean: playMM, sd: playUMM})
	p.flip = b.shared("flip "+setup, param{source: srcFlip, size: fmt.Sprintf("± %.0f µm beforehand", 2*flipUMM*1000), sd: flipUMM})
	p.width = b.shared("width "+setup, param{source: srcFlip, size: "as the tilt flip", val: math.Log(flipWidthDeg), mean: math.Log(flipWidthDeg), sd: flipWidthLogU})
	p.creep = b.shared("creep "+setup, param{source: srcCreep, size: fmt.Sprintf("± %.1f µm/s beforehand", 2*creepUMMPerS*1000), sd: creepUMMPerS})
	p.zero = b.shared(fmt.Sprint("zero ", s.Zeroing, " ", s.Indicator, " ", s.Setup), param{val: maxOf(p.y), sd: free})
	p.shift = private{sd: sweepShiftUMM}
	b.knocked[p.zero] = b.knocked[p.zero] || slices.ContainsFunc(p.segs, func(g segment) bool { return g.knock })
	if b.knocked[p.zero] { // its zero holds no longer
		p.shift.sd = bumpUMM
	}
	j.layWobble(p, errs[s.Cylinder])
	topTime := p.timeAt(j.first[p])
	p.laySegments(topTime)
	if _, ok := b.started[p.creep]; !ok {
		b.started[p.creep] = topTime
	}
	p.creepFrom = b.started[p.creep]
	p.layTerms(b.m)
	if p.noise = b.noises[setup]; p.noise == nil {
		res := pri.ResolutionMM
		if res <= 0 {
			res = math.Max(p.stepMM, 1e-5)
		}
		floor := math.Max(res/math.Sqrt(12), 2e-4)
		p.noise = &noise{displayMM: 1.5 * floor, floorMM: floor, angleDeg: math.Max(0.005, j.encoderStep(s.Encoder)/math.Sqrt(12)), timeS: 0.001}
		b.noises[setup] = p.noise
	}
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

func newJob(in Input) *job {
	priors, lumped := arrivalPriors(in)
	in.Priors = priors
	return &job{in: in, lumped: lumped, first: map[*pass]float64{}, flags: map[int][]string{}, refused: map[int][]string{}, streams: map[*Series]*Series{},
		wild: map[*Series][]float64{}, index: map[int]int{}, closing: none}
}
