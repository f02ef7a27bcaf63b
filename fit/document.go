package fit

import (
	"math"
	"slices"

	"crownmark/fit/crank"
)

// Verdicts against the shop's limit.
const (
	Within    = "within"
	Outside   = "outside"
	Undecided = "undecided"
)

// Verdict judges a value against ±limit with the guard band u95: neither is
// claimed unless proven.
func Verdict(value, u95, limit float64) string {
	switch v := math.Abs(value); {
	case v+u95 <= limit:
		return Within
	case v-u95 > limit:
		return Outside
	}
	return Undecided
}

// VerdictRule says in words how Verdict decides.
const VerdictRule = "within: |throw error| + U95 ≤ limit; outside: |throw error| − U95 > limit; undecided otherwise. U95 covers 95 %; about 2.5 % risk that a claim is wrong."

// Limits of what a trim may correct, degrees.
const (
	trimMostDeg       = 3.0
	wrongCylinderDeg  = 20.0
	offsetPieceUMM    = 0.02 // one piston's pin offset against another's
	parabolaHalfDeg   = 12.0
	chordFromMM       = 0.25
	chordToMM         = 1.2
	rejectedShareMost = 0.10
	scaleLeast        = 0.5 // beyond these an angle or a height is in the wrong unit …
	scaleMost         = 2.0 // … and which of them, the curve cannot tell
)

// What play of up to 0.1 mm leaves in parabola and chord (95 %), degrees.
const (
	parabolaPlayBothDeg, parabolaPlayOneDeg = 0.04, 0.25
	chordPlayBothDeg, chordPlayOneDeg       = 0.03, 0.25
)

// blank is the document with every cylinder listed and nothing known.
func (j *job) blank() Index {
	e := j.in.Engine
	doc := Index{Schema: Schema, Simulated: j.in.Simulated, Engine: e.Name, ReferenceCylinder: e.Reference(),
		IndexLimitDeg: e.IndexLimitDeg, TrimStepDeg: e.TrimStepDeg, Status: "ok", SetAside: j.in.SetAside,
		Rule: VerdictRule, Marks: []MarkError{}, Advice: []string{}, Bench: BenchResult{Streams: []StreamResult{}}}
	swept := map[int]bool{}
	for _, s := range j.in.Sweeps {
		swept[s.Cylinder] = true
	}
	for _, t := range e.Tops() {
		c := Cylinder{Number: t.Number, NominalDeg: t.NominalDeg, Verdict: Undecided, Budget: []Share{}}
		if !swept[t.Number] {
			j.flag(t.Number, FlagNotSwept)
		}
		c.Flags = j.flags[t.Number]
		if c.Flags == nil {
			c.Flags = []string{}
		}
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
	home := m.passes[slices.IndexFunc(m.passes, func(p *pass) bool { return p.src.Cylinder == j.anchor })].src.Mount
	for i := range doc.Cylinders {
		c := &doc.Cylinders[i]
		passes := passesOf(m, c.Number)
		if len(passes) > 0 {
			j.writeTop(c, s, passes, home)
			j.writeIndex(c, s, refSwept)
			j.judgeShape(c, passes)
		} else if !refSwept {
			j.flag(c.Number, FlagNoReference)
		}
		j.writeTrim(c, s)
		c.Flags = j.flags[c.Number]
		if c.Flags == nil {
			c.Flags = []string{}
		}
	}
	doc.Marks = j.markErrors(s, home, refSwept)
	doc.Advice = j.advise(doc)
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
		if seen[p.src.Indicator] {
			continue
		}
		seen[p.src.Indicator] = true
		u := s.expand(s.combined(unit(p.tau), nil))
		doc.Bench.Streams = append(doc.Bench.Streams, StreamResult{p.src.Indicator, 1000 * s.model.value(p.tau), 1000 * u})
	}
	first := doc.Bench.Streams[0]
	doc.Bench.LatencyMS, doc.Bench.LatencyU95MS = ptr(first.LatencyMS), ptr(first.LatencyU95MS)
	lash := s.model.passes[0].lash
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
	tdc := math.Mod(m.value(j.mounts[home])+c.NominalDeg+m.value(e), 360)
	if tdc < 0 {
		tdc += 360
	}
	extra := j.encoderShares(math.NaN())
	shares := s.combined(weights, extra)
	c.TDCDeg, c.TDCU95Deg = ptr(tdc), ptr(s.expand(shares))
	if e == none {
		c.Budget = budget(shares)
	}
	p := passes[0]
	c.PlayMM, c.Scale, c.TiltFlipMM = ptr(m.value(p.play)), ptr(m.value(p.scale)), ptr(m.value(p.flip))
	c.PeakMM = ptr(m.value(p.zero))
	for _, q := range passes {
		if q.src.DeckZero {
			c.DeckMM = ptr(m.value(q.zero) / m.value(q.scale))
		}
	}
	res := p.noise.floorMM * math.Sqrt(12)
	c.DwellDeg = ptr(p.geometry.DwellDeg(res / m.value(p.scale)))
	var sq, n float64
	for _, q := range passes {
		for i := range q.t {
			switch {
			case q.use[i] && q.robust[i] > 0:
				c.Samples++
				sq += q.res[i] * q.res[i]
				n++
			case q.use[i]:
				c.Rejected++
			}
		}
		for _, at := range j.wild[q.src.Encoder] {
			if at >= q.t[0] && at <= q.t[len(q.t)-1] {
				c.Rejected++
			}
		}
		c.Curves = append(c.Curves, j.curve(q))
	}
	c.Sweeps = len(passes)
	c.RMSMM = ptr(math.Sqrt(sq / n))
	j.besides(c, passes, tdc)
}

// curve is a pass on its own top, true heights.
func (j *job) curve(p *pass) Curve {
	m := j.model
	c := Curve{SweepID: p.src.ID, Cylinder: p.src.Cylinder, Indicator: p.src.Indicator, Direction: int(p.dir)}
	k := m.value(p.scale)
	for i := range p.t {
		c.XDeg = append(c.XDeg, p.x[i])
		c.HeightMM = append(c.HeightMM, (p.y[i]-m.value(p.zero))/k)
		c.ResidualMM = append(c.ResidualMM, p.res[i])
		c.Used = append(c.Used, p.use[i] && p.robust[i] > 0)
	}
	return c
}

// besides puts parabola and chord beside the model: both on angles freed of
// latency and lash, each direction for itself and the two halved, which
// cancels play; the bias that the geometry predicts is taken out.
func (j *job) besides(c *Cylinder, passes []*pass, tdc float64) {
	type sum struct{ mid, variance, n float64 }
	var par, cho [2]sum
	g := passes[0].geometry
	for _, p := range passes {
		var x, y []float64
		for i := range p.t {
			if p.use[i] && p.robust[i] > 0 {
				x, y = append(x, p.x[i]), append(y, p.y[i])
			}
		}
		way := 0
		if p.dir < 0 {
			way = 1
		}
		v, err := Parabola(x, y, 0, parabolaHalfDeg)
		if err != nil {
			continue
		}
		par[way].mid += v.AngleDeg - ParabolaBiasDeg(g, parabolaHalfDeg)
		par[way].variance += v.UDeg * v.UDeg * p.vif
		par[way].n++
		if v, err = Chord(x, y, v, chordFromMM, chordToMM); err == nil {
			cho[way].mid += v.AngleDeg - chordBiasDeg(g, (chordFromMM+chordToMM)/2)
			cho[way].variance += v.UDeg * v.UDeg * p.vif
			cho[way].n++
		}
	}
	both := func(s [2]sum) (mid, u95 float64, ok bool) {
		ways := 0.0
		for _, w := range s {
			if w.n > 0 {
				mid += w.mid / w.n
				u95 += w.variance / w.n / w.n
				ways++
			}
		}
		return mid / ways, Expand([]float64{u95 / ways / ways}, []float64{math.Inf(1)}), ways > 0
	}
	base := *c.TDCU95Deg
	// Play bends the curve behind the top; swept both ways it nearly cancels.
	parPlay, choPlay := parabolaPlayBothDeg, chordPlayBothDeg
	if par[0].n == 0 || par[1].n == 0 {
		parPlay, choPlay = parabolaPlayOneDeg, chordPlayOneDeg
	}
	if mid, u, ok := both(par); ok {
		u = math.Hypot(math.Hypot(u, parPlay), base)
		c.ParabolaTDCDeg, c.ParabolaU95Deg = ptr(tdc+mid), ptr(u)
		if math.Abs(mid) > u {
			j.flag(c.Number, FlagDisagree)
		}
	}
	if mid, u, ok := both(cho); ok {
		u = math.Hypot(math.Hypot(u, choPlay), base)
		c.ChordTDCDeg, c.ChordU95Deg = ptr(tdc+mid), ptr(u)
		if math.Abs(mid) > u {
			j.flag(c.Number, FlagDisagree)
		}
	}
}

// chordBiasDeg is how far the middle of a chord lies after the top, by the
// geometry: D²·(r/2l)·tan θ_top, D the half-span at that drop (mm), in rad.
func chordBiasDeg(g crank.Geometry, dropMM float64) float64 {
	a, _, _ := g.Series()
	d2 := 2 * dropMM / a
	return d2 * g.R / (2 * g.L) * math.Tan(g.TopDeg()*math.Pi/180) * 180 / math.Pi
}

// nothingKnownDeg: a doubt of half a turn says nothing; a larger one says no
// less, and its square may not be a number.
const nothingKnownDeg = 180.0

// encoderShares are what no sweep from one mounting sees. phase is the crank
// angle between two tops; NaN: one top alone. Eccentricity declared as a
// standard uncertainty ε of the angle, once and twice per turn in a mixture
// that nobody knows, makes at most 2ε·max(|sin(phase/2)|, |sin phase|) between
// tops; accuracy a makes a·√2, both nothing at the same place of the encoder.
func (j *job) encoderShares(phase float64) []share {
	var out []share
	ecc, acc := j.in.Priors.EccentricityUDeg, j.in.Priors.AccuracyUDeg
	if ecc != nil {
		u := math.Min(*ecc, nothingKnownDeg)
		if !math.IsNaN(phase) {
			once, twice := math.Abs(math.Sin(phase*math.Pi/360)), math.Abs(math.Sin(phase*math.Pi/180))
			u *= 2 * math.Max(once, twice)
		}
		out = append(out, share{srcMounting, plain(*ecc) + "° standard", "declared", u * u, math.Inf(1)})
	}
	if acc != nil {
		u := math.Min(*acc, nothingKnownDeg)
		if !math.IsNaN(phase) {
			u *= math.Sqrt2
			if math.Abs(fold180(phase)) < 1 {
				u = 0
			}
		}
		out = append(out, share{srcAccuracy, plain(*acc) + "° standard", "declared", u * u, math.Inf(1)})
	}
	return out
}

// writeIndex fills index and throw errors and the verdict.
func (j *job) writeIndex(c *Cylinder, s *solution, refSwept bool) {
	e := j.in.Engine
	switch {
	case !j.in.DirectionConfirmed:
		j.flag(c.Number, FlagNoDirection)
		return
	case !refSwept:
		j.flag(c.Number, FlagNoReference)
		return
	}
	if s.closureFailed {
		j.flag(c.Number, FlagClosure)
	}
	if j.in.Priors.EccentricityUDeg == nil {
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
	shares := s.combined(unit(j.index[c.Number]), j.encoderShares(c.NominalDeg+err))
	if more := s.repeatability(passesOf(s.model, c.Number)); more > 1 {
		j.flag(c.Number, FlagSweepsDisagree)
		shares = append(shares, share{srcRepeat, plain(more) + " times what the readings explain", "measured", (more*more - 1) * (shares[0].variance + shares[1].variance), math.Inf(1)})
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

// judgeShape raises the flags that a cylinder's curves call for.
func (j *job) judgeShape(c *Cylinder, passes []*pass) {
	e := j.in.Engine
	ways := map[float64]bool{}
	for _, p := range passes {
		ways[p.dir] = true
		for _, g := range p.segs[:len(p.segs)-1] {
			if th, _, ok := p.track.at(g.to); ok && math.Abs(th-(j.first[p])) < 10 {
				j.flag(c.Number, FlagRegripAtTop)
			}
		}
		if lim := math.Max(8*p.noise.floorMM, 0.01); p.noise.displayMM > lim {
			j.flag(c.Number, FlagPoorFit)
		}
	}
	if len(ways) == 1 {
		j.flag(c.Number, FlagOneWay)
	}
	if n := c.Samples + c.Rejected; n > 0 && float64(c.Rejected) > rejectedShareMost*float64(n) {
		j.flag(c.Number, FlagManyRejected)
	}
	if k := *c.Scale; k < 0.97 || k > 1.12 {
		j.flag(c.Number, FlagScale)
	}
	if e.RodMM == nil {
		j.flag(c.Number, FlagRodAssumed)
	}
	if t, _ := e.Top(c.Number); !t.OffsetKnown {
		j.flag(c.Number, FlagOffsetAssumed)
	}
}

// wrongUnit: a curve of one of these cylinders is stretched beyond belief. A
// wrong counts_per_rev does that, and it stretches the index errors as well.
func (s *solution) wrongUnit(cylinders ...int) bool {
	return slices.ContainsFunc(s.model.passes, func(p *pass) bool {
		k := s.model.value(p.scale)
		return slices.Contains(cylinders, p.src.Cylinder) && (k < scaleLeast || k > scaleMost)
	})
}

// writeTrim fills the trim in its wordings, where one may be given.
func (j *job) writeTrim(c *Cylinder, s *solution) {
	if c.IndexErrorDeg == nil || s.closureFailed || s.wrongUnit(c.Number, j.in.Engine.Reference()) {
		return
	}
	err := *c.IndexErrorDeg
	switch {
	case math.Abs(err) > wrongCylinderDeg:
		return
	case math.Abs(err) > trimMostDeg:
		j.flag(c.Number, FlagTwist)
		return
	}
	trim := 0 - err // not −err: JSON knows −0
	set := TrimSet(trim, *c.IndexU95Deg, j.in.Engine.TrimStepDeg)
	c.TrimDeg, c.TrimSetDeg, c.LeftDeg = ptr(trim), ptr(set), ptr(trim-set)
	c.TrimRetardDeg, c.TrimTopDeg = ptr(0-set), ptr(c.NominalDeg-set)
}

// TrimSet rounds a trim to the controller's step; what cannot be told from
// nothing, or is less than half a step, stays zero.
func TrimSet(trim, u95, step float64) float64 {
	if math.Abs(trim) < math.Max(u95, step/2) {
		return 0
	}
	if step < 1e-6 { // no controller's; its inverse may not be a number
		return trim
	}
	// Divide by the inverse where it is whole: 0.1° steps print as −1.5, not −1.5000000000000002.
	if inv := 1 / step; math.Abs(inv-math.Round(inv)) < 1e-9 {
		return math.Round(trim*math.Round(inv)) / math.Round(inv)
	}
	return math.Round(trim/step) * step
}
