package fit

import (
	"fmt"
	"math"
	"slices"

	"crownmark/fit/crank"
)

const (
	offsetPieceUMM = 0.02 // one piston's pin offset against another's, mm
	scaleLeast     = 0.5  // beyond these an angle or a height is in the wrong unit …
	scaleMost      = 2.0  // … and which of them, the curve cannot tell
)

// blank is the document with every cylinder listed and nothing known.
func (j *job) blank() Index {
	e := j.in.Engine
	doc := Index{Schema: Schema, Simulated: j.in.Simulated, Engine: e.Name, ReferenceCylinder: e.Reference(),
		IndexLimitDeg: e.IndexLimitDeg, TrimStepDeg: e.TrimStepDeg, Status: "ok", SetAside: j.in.SetAside,
		Rule: VerdictRule, Pins: []PinResult{}, Banks: []BankResult{}, Marks: []MarkError{}, TimingLight: []LightReading{}, Advice: []string{}, Bench: BenchResult{Streams: []StreamResult{}}}
	swept := map[int]bool{}
	for _, s := range j.in.Sweeps {
		swept[s.Cylinder] = true
	}
	for _, t := range e.Tops() {
		c := Cylinder{Number: t.Number, NominalDeg: t.NominalDeg, Verdict: Undecided, CommonVerdict: Undecided, Budget: []Share{}, Durations: []Duration{}, LeftByStep: []StepLeft{}}
		if !swept[t.Number] {
			j.flag(t.Number, FlagNotSwept)
		}
		if !j.fitted(e.Reference()) {
			j.flag(t.Number, FlagNoReference)
		}
		c.Flags = j.flagsOf(t.Number)
		doc.Cylinders = append(doc.Cylinders, c)
	}
	return doc
}

func ptr(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// write fills the document from the solution.
func (j *job) write(doc *Index, s *solution) {
	m := s.model
	refSwept := j.anchor == j.in.Engine.Reference()
	j.writeBench(doc, s)
	if s.closure != nil && refSwept {
		doc.ClosureDeg, doc.ClosureU95Deg = ptr(s.closure.value), ptr(s.closure.u95)
	}
	home := m.passes[slices.IndexFunc(m.passes, func(p *pass) bool { return p.src.Cylinder == j.anchor })].mountNo
	for i := range doc.Cylinders {
		c := &doc.Cylinders[i]
		passes := passesOf(m, c.Number)
		if len(passes) > 0 {
			j.writeTop(c, s, passes, home)
			j.writeIndex(c, s, refSwept)
			j.judgeShape(c, passes)
		}
		j.writeTrim(c, s)
		c.Flags = j.flagsOf(c.Number)
	}
	j.writeCommon(doc, s)
	doc.Differences = j.differences(doc, s)
	doc.Eccentricity = j.eccentricity(s, home)
	doc.Marks = j.markErrors(s, refSwept)
	doc.TimingLight = timingLight(doc.Marks)
	doc.Advice = j.advise(doc, s)
}

func passesOf(m *model, cylinder int) []*pass {
	var out []*pass
	for _, p := range m.passes {
		if p.src.Cylinder == cylinder {
			out = append(out, p)
		}
	}
	return out
}

func (j *job) writeBench(doc *Index, s *solution) {
	seen := map[string]bool{}
	for _, p := range s.model.passes {
		if seen[p.src.Indicator] || p.readOff {
			continue
		}
		seen[p.src.Indicator] = true
		u := s.expand(s.combined(unit(p.tau), nil))
		pri := j.indicatorPrior(p.src.Indicator)
		doc.Bench.Streams = append(doc.Bench.Streams, StreamResult{p.src.Indicator, 1000 * s.model.value(p.tau), 1000 * u, pri.LatencyMS, 2 * pri.LatencyUMS, j.priorFrom(p.src.Indicator)})
	}
	k := slices.IndexFunc(s.model.passes, func(p *pass) bool { return !p.readOff })
	if k < 0 {
		return
	}
	first := doc.Bench.Streams[0]
	doc.Bench.LatencyMS, doc.Bench.LatencyU95MS = ptr(first.LatencyMS), ptr(first.LatencyU95MS)
	lash := s.model.passes[k].lash
	doc.Bench.LashDeg, doc.Bench.LashU95Deg = ptr(s.model.value(lash)), ptr(s.expand(s.combined(unit(lash), nil)))
}

// writeTop fills what a cylinder's own sweeps tell.
func (j *job) writeTop(c *Cylinder, s *solution, passes []*pass, home int) {
	m := s.model
	e := j.index[c.Number]
	weights := map[int]float64{j.mounts[home]: 1}
	if e != none {
		weights[e] = 1
	}
	wobble := 0.0
	for _, p := range passes {
		if p.mountNo == home {
			wobble = m.wobble(p)
		}
	}
	tdc := math.Mod(m.value(j.mounts[home])+c.NominalDeg+m.value(e)+wobble, 360)
	if tdc < 0 {
		tdc += 360
	}
	extra := append(j.encoderShares(math.NaN()), shapeShare(passes)...)
	shares := s.combined(weights, extra)
	c.TDCDeg, c.TDCU95Deg = ptr(tdc), ptr(s.expand(shares))
	if e == none {
		c.Budget = budget(shares)
	}
	p := passes[0]
	c.PlayMM, c.Scale, c.TiltFlipMM = ptr(m.value(p.play)), ptr(m.value(p.scale)), ptr(m.value(p.flip))
	c.ScaleU95 = ptr(s.expand(s.combined(unit(p.scale), nil)))
	c.PeakMM, c.PeakU95MM = ptr(m.value(p.zero)), ptr(s.expand(s.combined(unit(p.zero), nil)))
	for _, q := range passes {
		if q.src.DeckZero {
			c.DeckMM, c.DeckU95MM = s.deck(q)
		}
	}
	res := p.noise.floorMM * math.Sqrt(12)
	c.DwellDeg = ptr(p.geometry.DwellDeg(res / m.value(p.scale)))
	j.count(c, passes)
	j.besides(c, passes, tdc)
	j.tells(c, s, passes)
}

// deck is a top's true height h/k above the zero of its display, and its doubt:
// that of reading h and scale k together.
func (s *solution) deck(p *pass) (mm, u95 *float64) {
	h, k := s.model.value(p.zero), s.model.value(p.scale)
	return ptr(h / k), ptr(s.expand(s.combined(map[int]float64{p.zero: 1 / k, p.scale: -h / (k * k)}, nil)))
}

// count fills how many readings served, their scatter, and the curves.
func (j *job) count(c *Cylinder, passes []*pass) {
	var sq float64
	for _, p := range passes {
		for i := range p.t {
			switch {
			case p.served(i):
				c.Samples++
				sq += p.res[i] * p.res[i]
			case p.use[i]:
				c.Rejected++
			}
		}
		for _, at := range j.wild[p.src.Encoder] {
			if at >= p.t[0] && at <= p.t[len(p.t)-1] {
				c.Rejected++
			}
		}
		c.Curves = append(c.Curves, j.curve(p))
	}
	c.Sweeps = len(passes)
	c.RMSMM = ptr(math.Sqrt(sq / float64(c.Samples)))
}

// served says whether a reading had a say in the fit.
func (p *pass) served(i int) bool { return p.use[i] && p.robust[i] > 0 }

// curve is a pass on its own top, true heights.
func (j *job) curve(p *pass) Curve {
	m := j.model
	c := Curve{SweepID: p.src.ID, Cylinder: p.src.Cylinder, Indicator: p.src.Indicator, Direction: int(p.dir)}
	k, n := m.value(p.scale), len(p.t)
	c.XDeg, c.HeightMM, c.ResidualMM, c.Used = make([]float64, 0, n), make([]float64, 0, n), make([]float64, 0, n), make([]bool, 0, n)
	for i := range p.t {
		c.XDeg = append(c.XDeg, p.x[i])
		c.HeightMM = append(c.HeightMM, (p.y[i]-m.value(p.zero))/k)
		c.ResidualMM = append(c.ResidualMM, p.res[i])
		c.Used = append(c.Used, p.served(i))
	}
	return c
}

// nothingKnownDeg: a doubt of half a turn says nothing; a larger one says no
// less, and its square may not be a number.
const nothingKnownDeg = 180.0

// encoderShares are what no sweep sees: the encoder's accuracy, declared as a
// standard uncertainty of the angle. phase is the crank angle between two tops:
// √2 of it, nothing at the same place of the encoder; NaN: one top alone.
func (j *job) encoderShares(phase float64) []share {
	acc := j.in.Priors.AccuracyUDeg
	if acc == nil {
		return nil
	}
	u := math.Min(*acc, nothingKnownDeg)
	if !math.IsNaN(phase) {
		u *= math.Sqrt2
		if math.Abs(fold180(phase)) < 1 {
			u = 0
		}
	}
	return []share{{srcAccuracy, plain(*acc) + "° standard", "declared", u * u, math.Inf(1)}}
}

// writeIndex fills index and throw errors and the verdict.
func (j *job) writeIndex(c *Cylinder, s *solution, refSwept bool) {
	e := j.in.Engine
	if !j.in.DirectionConfirmed {
		j.flag(c.Number, FlagNoDirection)
		return
	}
	if !refSwept {
		return
	}
	if s.closureFailed {
		j.flag(c.Number, FlagClosure)
	}
	if len(j.eccentric) == 0 && j.in.Priors.EccentricityUDeg == nil && !s.model.byEye() {
		j.flag(c.Number, FlagUndeclared)
	}
	if c.Number == e.Reference() {
		zero := 0.0
		c.IndexErrorDeg, c.IndexU95Deg, c.ThrowErrorDeg, c.ThrowU95Deg = &zero, &zero, &zero, &zero
		if !s.closureFailed {
			c.Verdict = Verdict(0, 0, e.IndexLimitDeg)
		}
		return
	}
	err := fold180(s.model.value(j.index[c.Number]))
	shares := s.combined(unit(j.index[c.Number]), append(j.encoderShares(c.NominalDeg+err), shapeShare(append(passesOf(s.model, c.Number), passesOf(s.model, j.anchor)...))...))
	if more := s.repeatability(passesOf(s.model, c.Number)); more > 1 {
		j.flag(c.Number, FlagSweepsDisagree)
		shares = append(shares, share{srcRepeat, plain(more) + " times what the readings explain", "measured", (more*more - 1) * (shares[0].variance + shares[1].variance), math.Inf(1)})
	}
	if s.closureFailed { // all of it may have come between this cylinder and the reference
		slip := s.closure.value
		shares = append(shares, share{srcClosure, plain(math.Abs(slip)) + "°", "measured", slip * slip / 4, math.Inf(1)})
	}
	if slices.ContainsFunc(passesOf(s.model, c.Number), func(p *pass) bool { return p.with(j.anchor) }) {
		shares[0].size += fmt.Sprintf("; drops out where it was swept at once with cylinder %d", j.anchor)
	}
	u95 := s.expand(shares)
	c.IndexErrorDeg, c.IndexU95Deg, c.Budget = ptr(err), ptr(u95), budget(shares)
	j.writeThrow(c, s, err, u95)
	if math.Abs(err) > wrongCylinderDeg {
		j.flag(c.Number, FlagWrongCylinder)
		return
	}
	if !s.closureFailed && !s.wrongUnit(c.Number, e.Reference()) {
		c.Verdict = Verdict(*c.ThrowErrorDeg, *c.ThrowU95Deg, e.IndexLimitDeg)
	}
}

// writeThrow takes the pin offsets' share out of the index error.
func (j *job) writeThrow(c *Cylinder, s *solution, err, u95 float64) {
	own, _ := j.in.Engine.Top(c.Number)
	ref, _ := j.in.Engine.Top(j.in.Engine.Reference())
	rod, rodU := j.in.Engine.RodOrAssumed()
	stroke := j.in.Engine.StrokeMM
	top := func(rod, offset float64) float64 { return crank.Geometry{R: stroke / 2, L: rod, E: offset}.TopDeg() }
	shift := top(rod, own.PinOffsetMM) - top(rod, ref.PinOffsetMM)
	c.ThrowErrorDeg = ptr(err - shift)
	if own.PinOffsetMM == ref.PinOffsetMM && own.OffsetKnown == ref.OffsetKnown {
		c.ThrowU95Deg = ptr(u95)
		return
	}
	piece := math.Sqrt2 * offsetPieceUMM / (rod + stroke/2) * 180 / math.Pi
	byRod := (top(rod+rodU, own.PinOffsetMM) - top(rod+rodU, ref.PinOffsetMM)) - shift
	c.ThrowU95Deg = ptr(math.Hypot(u95, 1.96*math.Hypot(piece, byRod)))
}
