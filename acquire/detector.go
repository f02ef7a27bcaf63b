package acquire

import "math"

// detector finds sweeps. It is fed with every encoder and indicator reading in
// the order of arrival and with the time, and says where sweeps begin and end,
// in sequence numbers. It knows no clock, no port and no store.
//
// A sweep begins with motion in contact. A stop pauses it, and motion the same
// way within the idle time goes on with it, a spring-back below the reversal
// included. It ends where a reversal had its extremum, on leaving the window,
// when the crank has stood for the idle time, and when end is called. What lies
// behind the plunger's return to its stop is cut off. The way back after a
// reversal begins at the extremum.
type detector struct {
	cfg    SweepConfig
	motion motion
	now    point
	early  earlier
	rebase bool // the next angle has nothing to do with those before
	probes []probe
	out    []sweepEvent // of the call under way
}

// probe is what the detector knows of one indicator.
type probe struct {
	active  bool // a cylinder is selected
	contact contact
	height  float64

	running   bool
	paused    bool
	dir       int
	from      point
	reach     point   // the furthest the sweep came
	top       float64 // highest height of this sweep, confirmed by its neighbour
	topDeg    float64 // where
	bottom    float64 // lowest height of this sweep, confirmed likewise
	bottomDeg float64
	before    float64 // highest before bottom
	prev      float64

	notBefore point // nothing before may belong to the next sweep
	windowDeg float64
	windowed  bool // windowDeg is the angle of a top whose window was left
}

// sweepEvent is what the detector found. For an end, at names the last
// readings of the sweep, back-dated; for a begin the first.
type sweepEvent struct {
	kind  sweepEventKind
	probe int
	at    point
	dir   int
	cause string
}

type sweepEventKind uint8

const (
	sweepBegins sweepEventKind = iota
	sweepEnds
	sweepPauses
	sweepGoesOn
)

// pauseNS is how long the crank must stand for a sweep to be called paused.
const pauseNS = 1000e6

func newDetector(cfg SweepConfig, indicators int) *detector {
	d := &detector{cfg: cfg, probes: make([]probe, indicators)}
	d.motion = motion{motionDeg: cfg.MotionDeg, reversalDeg: cfg.ReversalDeg, idleNS: int64(cfg.IdleS * 1e9)}
	for i := range d.probes {
		d.probes[i].contact = newContact(cfg.ContactMM)
	}
	return d
}

// encoder takes an encoder reading; deg is unwrapped. What it returns is valid
// until the next call of any method.
func (d *detector) encoder(atNS, seq int64, deg float64) []sweepEvent {
	d.out = d.out[:0]
	d.now.atNS, d.now.deg, d.now.enc = atNS, deg, seq
	d.now.early, d.now.late = d.early.add(atNS, seq), seq
	for i := range d.probes {
		if d.rebase {
			d.probes[i].contact.reclock(deg)
		}
		d.probes[i].contact.turned(deg)
	}
	d.rebase = false
	if was, reversed := d.motion.add(d.now); reversed {
		for i := range d.probes {
			d.finish(i, was, CauseReversal)
		}
	}
	for i := range d.probes {
		d.advance(i)
		d.begin(i)
	}
	return d.out
}

// indicator takes a height in mm of indicator i.
func (d *detector) indicator(i int, atNS, seq int64, mm float64) []sweepEvent {
	d.out = d.out[:0]
	p := &d.probes[i]
	d.now.ind[i] = seq
	here := d.now
	here.atNS = atNS
	p.contact.add(mm, here)
	if p.height = mm; p.running {
		p.see(mm, here.deg)
	}
	d.begin(i)
	return d.out
}

// see follows a running sweep's heights.
func (p *probe) see(mm, deg float64) {
	sure := min(p.prev, mm) // a single high reading may be a lost digit
	if sure > p.top {
		p.top, p.topDeg = sure, deg
	}
	if low := max(p.prev, mm); low < p.bottom {
		p.bottom, p.bottomDeg, p.before = low, deg, p.top
	}
	p.prev = mm
}

// advance looks what an encoder reading means for a running sweep.
func (d *detector) advance(i int) {
	p := &d.probes[i]
	if !p.running {
		if p.windowed && d.outside(p) {
			p.notBefore = d.now
		}
		return
	}
	if p.reach = d.motion.first; p.paused && d.now.atNS == p.reach.atNS {
		p.paused = false
		d.out = append(d.out, sweepEvent{kind: sweepGoesOn, probe: i, at: d.now, dir: p.dir})
	}
	if past := float64(p.dir) * (d.now.deg - p.topDeg); d.cfg.WindowDeg > 0 && past >= d.cfg.WindowDeg {
		p.windowed, p.windowDeg = true, p.topDeg
		d.finish(i, d.now, CauseWindow)
	}
}

// outside tells whether the crank stands outside the window about the top
// that was left last, or about the same top turns later.
func (d *detector) outside(p *probe) bool {
	off := math.Abs(math.Remainder(d.now.deg-p.windowDeg, 360))
	return d.cfg.WindowDeg > 0 && off >= d.cfg.WindowDeg
}

// begin starts a sweep if there is motion in contact, inside the window.
func (d *detector) begin(i int) {
	p, m := &d.probes[i], &d.motion
	if p.running || !p.active || m.dir == 0 || !p.contact.touching || p.windowed && d.outside(p) {
		return
	}
	if c := &p.contact; c.flat.lo <= c.low+d.cfg.ContactMM && c.flat.from.atNS <= m.from.atNS {
		return // at the lowest height ever since before this motion: it may stand on its stop
	}
	for _, q := range [...]point{p.notBefore, p.contact.since, p.contact.off} {
		if q.atNS > m.from.atNS && float64(m.dir)*(m.first.deg-q.deg) < d.cfg.MotionDeg {
			return // standing since: a hand moved the plunger, not the crank
		}
	}
	if float64(m.dir)*(m.first.deg-d.now.deg) >= d.cfg.MotionDeg {
		return // on the way back already, not far enough to be called reversed
	}
	from := m.from
	for _, q := range [...]point{p.contact.since, p.notBefore} {
		if q.atNS > from.atNS {
			from = q
		}
	}
	from.ind[i] = max(from.ind[i], p.notBefore.ind[i]+1, 1)
	if from.ind[i] > d.now.ind[i] {
		return // no height of its own yet
	}
	p.running, p.paused, p.dir, p.from, p.reach = true, false, m.dir, from, m.first
	p.top, p.topDeg, p.prev = p.height, d.now.deg, p.height
	p.bottom, p.bottomDeg, p.before = p.height, d.now.deg, p.height
	d.out = append(d.out, sweepEvent{kind: sweepBegins, probe: i, at: from, dir: m.dir})
}

// finish ends a running sweep at a point, or where the plunger came back to
// its stop before that.
func (d *detector) finish(i int, at point, cause string) {
	p := &d.probes[i]
	if !p.running {
		return
	}
	if c := &p.contact; !c.touching && c.left.atNS < at.atNS && c.left.atNS > p.from.atNS {
		late := max(at.late, at.enc)
		at = c.left
		at.late = late
	}
	at.ind[i], at.enc = max(at.ind[i], p.from.ind[i]), max(at.enc, p.from.enc)
	at.late = max(at.late, at.enc)
	p.running = false
	p.notBefore.ind[i] = max(p.notBefore.ind[i], at.ind[i])
	d.out = append(d.out, sweepEvent{kind: sweepEnds, probe: i, at: at, dir: p.dir, cause: cause})
}

// tick takes the time: standing pauses and in the end ends a sweep.
func (d *detector) tick(nowNS int64) []sweepEvent {
	d.out = d.out[:0]
	if d.motion.idle(nowNS) {
		for i := range d.probes {
			d.finish(i, d.motion.first, CauseIdle)
		}
		d.motion.rest()
		return d.out
	}
	for i := range d.probes {
		if p := &d.probes[i]; p.running && !p.paused && nowNS-d.motion.first.atNS >= pauseNS {
			p.paused = true
			d.out = append(d.out, sweepEvent{kind: sweepPauses, probe: i, at: d.now, dir: p.dir})
		}
	}
	return d.out
}

// end ends the sweep of indicator i now, or every one for i < 0. Nothing seen
// up to now belongs to a later sweep of it.
func (d *detector) end(i int, cause string) []sweepEvent {
	d.out = d.out[:0]
	for k := range d.probes {
		if i < 0 || k == i {
			d.finish(k, d.now, cause)
			d.probes[k].notBefore = d.now
		}
	}
	return d.out
}

// place says that indicator i has been put on something anew (or on nothing):
// all that was known of its contact is void. Call end before.
func (d *detector) place(i int, active bool) {
	p := &d.probes[i]
	before := p.notBefore
	*p = probe{active: active, contact: newContact(d.cfg.ContactMM), notBefore: before}
}

// reopen says that indicator i speaks on a new stream, numbered from 1 again.
func (d *detector) reopen(i int) {
	p := &d.probes[i]
	d.now.ind[i] = 0
	p.notBefore = d.now
	p.contact.restream(d.now)
}

// reclock says that the encoder counts from elsewhere, or on a new stream.
func (d *detector) reclock() {
	d.motion.rest()
	d.early, d.rebase = earlier{}, true
	for i := range d.probes {
		p := &d.probes[i]
		p.windowed = false
		p.notBefore = d.now
	}
}

// span is how far the running sweep of indicator i has come, in degrees.
func (d *detector) span(i int) float64 { return math.Abs(d.probes[i].reach.deg - d.probes[i].from.deg) }
