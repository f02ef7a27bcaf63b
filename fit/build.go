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
	in      Input
	model   *model
	passes  []*pass           // every sweep that can be fitted
	first   map[*pass]float64 // its first top, encoder degrees
	flags   map[int][]string  // by cylinder
	streams map[*Series]*Series
	wild    map[*Series][]float64 // times (s) of a stream's wild angles
	refused map[int][]string      // by cylinder: why sweeps could not be fitted
	anchor  int                   // the cylinder that tops are counted from: the reference if it was swept
	mounts  map[int]int           // mount → parameter
	index   map[int]int           // cylinder → parameter, none for the anchor
	closing int                   // parameter of the anchor swept again, none if it was not
	refrain int                   // first pass index that closes, −1
}

func (j *job) flag(cylinder int, f string) {
	if !slices.Contains(j.flags[cylinder], f) {
		j.flags[cylinder] = append(j.flags[cylinder], f)
	}
}

// prepare turns the input's sweeps into passes with a first guess of each top.
func (j *job) prepare() error {
	for i := range j.in.Sweeps {
		s := &j.in.Sweeps[i]
		if _, ok := j.in.Engine.Top(s.Cylinder); !ok {
			return fmt.Errorf("sweep %d: the engine has no cylinder %d; assign the sweep to one of its cylinders or set it aside", s.ID, s.Cylinder)
		}
		p, flag := j.newPass(s)
		if flag != "" {
			j.refused[s.Cylinder] = append(j.refused[s.Cylinder], flag)
			continue
		}
		j.passes = append(j.passes, p)
	}
	for cylinder, flags := range j.refused {
		good := slices.ContainsFunc(j.passes, func(p *pass) bool { return p.src.Cylinder == cylinder })
		for _, f := range flags {
			// A probe being placed, a crank being nudged: scraps beside good sweeps are no news.
			if scrap := f == FlagShort || f == FlagFewReadings; !good || !scrap {
				j.flag(cylinder, f)
			}
		}
	}
	return nil
}

// heightMostMM is beyond every indicator's travel: what lies further out is a
// wrong reading, and its square must not drown the others.
const heightMostMM = 1e4

// newPass prepares one sweep, or says with a flag why it cannot be fitted.
func (j *job) newPass(s *Sweep) (*pass, string) {
	p := &pass{src: s}
	p.t, p.y = cleanSeries(s.Height, j.in.Corrections[s.Indicator])
	for i, y := range p.y {
		p.y[i] = math.Max(-heightMostMM, math.Min(y, heightMostMM)) // still a spike, counted as one
	}
	if len(p.t) < 12 {
		return nil, FlagFewReadings
	}
	if s.Encoder == nil || len(s.Encoder.T) < 2 {
		return nil, FlagNoMotion
	}
	stream := j.stream(s.Encoder)
	pri := j.indicatorPrior(s.Indicator)
	lag := pri.LatencyMS / 1000
	const edge = 0.3 // s: the latency may reach outside the sweep
	var ok bool
	if p.track, ok = newTrack(stream, j.encoderStep(s.Encoder), p.t[0]-edge-lag, p.t[len(p.t)-1]+edge-lag); !ok {
		return nil, FlagNoMotion
	}
	a, _, _ := p.track.at(p.t[0] - lag)
	b, _, _ := p.track.at(p.t[len(p.t)-1] - lag)
	if math.Abs(b-a) < 0.5 {
		return nil, FlagNoMotion
	}
	if math.Abs(b-a) < j.in.Priors.MinSpanDeg {
		return nil, FlagShort
	}
	p.dir = math.Copysign(1, b-a)
	n := len(p.t)
	p.use, p.robust, p.w = make([]bool, n), ones(n), make([]float64, n)
	p.x, p.res, p.slope = make([]float64, n), make([]float64, n), make([]float64, n)
	p.split()
	p.choose(lag, j.lashBound())
	var x, y []float64
	for i := range p.t {
		if p.use[i] {
			th, _, _ := p.track.at(p.t[i] - lag)
			x, y = append(x, th), append(y, p.y[i])
		}
	}
	top, err := firstTop(x, y)
	switch err {
	case nil:
	case errUpsideDown:
		return nil, FlagUpsideDown
	case errFewReadings:
		return nil, FlagFewReadings
	default:
		return nil, FlagMissesTop
	}
	j.first[p] = top.AngleDeg
	return p, ""
}

// stream is an encoder's stream with only the readings whose times can be
// trusted, made once for all sweeps that share it.
func (j *job) stream(s *Series) *Series {
	if j.streams[s] == nil {
		t, v := cleanSeries(*s, Correction{})
		j.streams[s], j.wild[s] = dropWild(t, v)
	}
	return j.streams[s]
}

// wildDeg is how far one angle must lie outside its two neighbours' range to be
// wrong: at the turn of a hand it lies outside by a reading's travel at most.
const wildDeg = 5.0

// dropWild leaves out single wild angles (a dropped digit) and returns the
// times of those.
func dropWild(t, v []float64) (*Series, []float64) {
	out := &Series{}
	var wild []float64
	for i := range v {
		if i > 0 && i+1 < len(v) && outside(v[i-1], v[i], v[i+1]) > wildDeg {
			wild = append(wild, t[i])
			continue
		}
		out.T, out.V = append(out.T, t[i]), append(out.V, v[i])
	}
	return out, wild
}

// outside is how far v lies outside the range from a to b.
func outside(a, v, b float64) float64 { return math.Max(math.Min(a, b)-v, v-math.Max(a, b)) }

// cleanSeries returns times and corrected values in order of time, without
// anything that is not a number. Of readings that came in one burst, all
// stamped when it was read, the last came nearest to that time: the others had
// been waiting for it and are left out.
func cleanSeries(s Series, c Correction) (t, y []float64) {
	order := make([]int, 0, len(s.T))
	for i := range s.T {
		if i+1 < len(s.T) && s.Late != nil && s.Late[i+1] > 0 {
			continue
		}
		if !math.IsNaN(s.V[i]) && !math.IsInf(s.V[i], 0) && !math.IsNaN(s.T[i]) && !math.IsInf(s.T[i], 0) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case s.T[a] < s.T[b]:
			return -1
		case s.T[a] > s.T[b]:
			return 1
		}
		return 0
	})
	for _, i := range order {
		t, y = append(t, s.T[i]), append(y, s.V[i]+c.at(s.V[i]))
	}
	return t, y
}

// at is the correction to add to a reading, linear between its points, held
// beyond them; 0 where there is no correction.
func (c Correction) at(reading float64) float64 {
	n := len(c.ReadingMM)
	if n == 0 {
		return 0
	}
	i, _ := slices.BinarySearch(c.ReadingMM, reading)
	switch {
	case i == 0:
		return c.CorrectionMM[0]
	case i == n:
		return c.CorrectionMM[n-1]
	}
	f := (reading - c.ReadingMM[i-1]) / (c.ReadingMM[i] - c.ReadingMM[i-1])
	return c.CorrectionMM[i-1] + f*(c.CorrectionMM[i]-c.CorrectionMM[i-1])
}

func (j *job) indicatorPrior(name string) IndicatorPrior {
	if p, ok := j.in.Priors.Indicators[name]; ok {
		return p
	}
	return j.in.Priors.Default
}

func (j *job) lashBound() float64 {
	return math.Min(1.5, math.Abs(j.in.Priors.LashDeg)+2*j.in.Priors.LashUDeg)
}

func (j *job) encoderStep(s *Series) float64 {
	if j.in.Priors.EncoderStepDeg > 0 {
		return j.in.Priors.EncoderStepDeg
	}
	return stepOf(s.V)
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
			_, haveO := offsets[p.src.Mount]
			e, haveE := errors[p.src.Cylinder]
			switch {
			case haveE && !haveO:
				offsets[p.src.Mount], grown = j.first[p]-nominal-e, true
			case haveO && !haveE:
				errors[p.src.Cylinder], grown = fold180(j.first[p]-nominal-offsets[p.src.Mount]), true
			}
		}
		if !grown {
			break
		}
	}
	j.passes = slices.DeleteFunc(j.passes, func(p *pass) bool {
		_, ok := offsets[p.src.Mount]
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
	rodDeclaredUMM    = 0.1  // a rod measured or from the maker
	offsetDeclaredUMM = 0.03 // a pin offset from the maker, common to all pistons
	offsetAssumedUMM  = 0.6  // nobody said: most pistons lie within ±1.2 mm
	playMM, playUMM   = 0.02, 0.04
	flipUMM           = 0.01
	scaleMean         = 1.03
	scaleU            = 0.08
	sweepShiftUMM     = 0.003
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
	b := builder{job: j, m: m, byKey: map[string]int{}, noises: map[string]*noise{}}
	others := false
	for i, p := range j.passes {
		top, _ := j.in.Engine.Top(p.src.Cylinder)
		var err error
		if p.geometry, err = crank.New(j.in.Engine.StrokeMM, rod, top.PinOffsetMM); err != nil {
			return err
		}
		again := len(j.in.Engine.Tops()) == 1 && p.src.Setup != j.passes[0].src.Setup
		if p.src.Cylinder != j.anchor {
			others = true
		} else if (others || again) && j.refrain < 0 {
			j.refrain = i
		}
		b.lay(p, offsets, errs, separate && j.refrain >= 0 && p.src.Cylinder == j.anchor && i >= j.refrain)
	}
	m.passes = j.passes
	return nil
}

// builder hands out parameters by what shares them.
type builder struct {
	job    *job
	m      *model
	byKey  map[string]int
	noises map[string]*noise
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
	turns := math.Round((j.first[p] - offsets[s.Mount] - nominal - errs[s.Cylinder]) / 360)
	p.baseDeg = nominal + 360*turns

	lash := j.in.Priors
	p.mount = b.shared(fmt.Sprint("mount ", s.Mount), param{val: offsets[s.Mount], sd: free})
	j.mounts[s.Mount] = p.mount
	p.lash = b.shared(fmt.Sprint("lash ", s.Mount), param{source: srcLash, size: fmt.Sprintf("%.2f° ± %.2f° beforehand", lash.LashDeg, 2*lash.LashUDeg), val: lash.LashDeg, mean: lash.LashDeg, sd: math.Max(lash.LashUDeg, 1e-6)})
	p.tau = b.shared("latency "+s.Indicator, param{source: srcLatency, size: fmt.Sprintf("%.0f ms ± %.0f ms beforehand", pri.LatencyMS, 2*pri.LatencyUMS), val: pri.LatencyMS / 1000, mean: pri.LatencyMS / 1000, sd: math.Max(pri.LatencyUMS, 1e-3) / 1000})
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
	p.zero = b.shared(fmt.Sprint("zero ", s.Zeroing, " ", s.Indicator, " ", s.Setup), param{val: maxOf(p.y), sd: free})
	shift := fmt.Sprintf("± %.0f µm per sweep, ± %.0f µm per re-grip beforehand", 2*sweepShiftUMM*1000, 2*regripShiftUMM*1000)
	p.shift = b.m.add(param{source: srcShift, size: shift, sd: sweepShiftUMM, min: math.Inf(-1)})
	p.seg = p.seg[:0]
	topTime := p.timeAt(j.first[p])
	for _, g := range p.segs {
		if topTime >= g.from && topTime < g.to {
			p.seg = append(p.seg, none)
			continue
		}
		p.seg = append(p.seg, b.m.add(param{source: srcShift, size: shift, sd: regripShiftUMM, min: math.Inf(-1)}))
	}
	if p.noise = b.noises[setup]; p.noise == nil {
		res := pri.ResolutionMM
		if res <= 0 {
			res = math.Max(stepOf(s.Height.V), 1e-5)
		}
		floor := math.Max(res/math.Sqrt(12), 2e-4)
		p.noise = &noise{displayMM: 1.5 * floor, floorMM: floor, angleDeg: math.Max(0.005, j.encoderStep(s.Encoder)/math.Sqrt(12))}
		b.noises[setup] = p.noise
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
