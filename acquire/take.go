package acquire

import (
	"math"

	"crownmark/acquire/wire"
)

// reading takes a valid reading of an instrument.
func (l *loop) reading(one *instrument, r Reading) {
	if one.opened == nil {
		return // cannot be: readings come between opening and end
	}
	r.Stream = one.opened.ID
	if one == l.enc {
		l.encoderReading(r)
	} else {
		l.indicatorReading(one, r)
	}
}

// accept numbers a reading and shows it.
func (l *loop) accept(one *instrument, r Reading) Reading {
	one.seq++
	r.Seq = one.seq
	if !one.fresh && one.silent(r.AtNS) {
		one.pauses++
	} else if !one.fresh && r.Burst == 0 {
		if dt := float64(r.AtNS - one.last.AtNS); dt > 0 {
			one.usualNS += (dt - one.usualNS) / 8
		}
	}
	one.last, one.has, one.fresh, one.bad = r, true, false, 0
	one.rhythm.add(r.AtNS, r.Burst)
	one.say(r.AtNS, r.Raw, "", "")
	one.clock.add(r)
	one.tally.readings.Add(1)
	one.tally.lastNS.Store(r.AtNS)
	one.tally.up.Store(true)
	l.read = true
	return r
}

func (l *loop) encoderReading(r Reading) {
	if l.enc.fresh && l.unconfirmed(r) {
		return
	}
	l.takeEncoder(r)
}

func (l *loop) takeEncoder(r Reading) {
	one := l.enc
	switch {
	case one.fresh:
		l.mountAfterOpening(r)
	case l.newMount != "":
		l.startMount(l.newMount, one.seq+1)
	}
	if !one.fresh {
		verdict := l.tracker.add(r)
		if verdict == trackGood && !l.index.agrees(l.tracker.unwrapped, r.Index, l.tracker.perTurn(r)) {
			verdict = trackLost
		}
		switch verdict {
		case trackDoubted:
			l.fault(one, Fault{Reason: UnusedRange, AtNS: r.AtNS, N: 1, Raw: r.Raw})
			return
		case trackLost:
			l.lostCounts()
		}
	}
	r = l.accept(one, r)
	one.value = l.tracker.angleDeg()
	if l.still.moved(float64(l.tracker.unwrapped), l.stillTicks(r)) {
		l.moved(r.AtNS)
		l.encoderMoved()
	}
	l.keep(one, r)
	l.sweeps(l.detector.encoder(r.AtNS, r.Seq, one.value))
	l.noteMove()
}

// unconfirmed holds the first reading after a return back if it would begin a
// new mount, until the next one agrees with it: a device that boots may say
// anything first.
func (l *loop) unconfirmed(r Reading) bool {
	held := l.heldBack
	l.heldBack = nil
	switch {
	case !l.tracker.begun || l.newMount != "" || l.tracker.near(r):
		l.dropHeld(held)
	case held != nil && l.tracker.agree(*held, r):
		l.takeEncoder(*held)
	default:
		l.dropHeld(held)
		l.heldBack = &r
		return true
	}
	return false
}

// dropHeld counts a reading that was held back in vain.
func (l *loop) dropHeld(r *Reading) {
	if r != nil {
		l.fault(l.enc, Fault{Reason: UnusedRange, AtNS: r.AtNS, N: 1, Raw: r.Raw})
	}
}

// stillTicks is how much a standing encoder may flicker.
func (l *loop) stillTicks(r Reading) float64 {
	const flickerDeg = 0.03
	return max(1, flickerDeg/360*l.tracker.perTurn(r))
}

// noteMove follows the last motion, through rests the same way round.
func (l *loop) noteMove() {
	dir, deg := l.detector.motion.moved()
	if dir == 0 {
		return
	}
	if l.lastMove.dir != dir {
		l.heldMove = move{}
	}
	l.lastMove = move{dir: dir, deg: deg}
	if l.heldMove.dir == dir {
		l.lastMove.deg += l.heldMove.deg
	}
}

// mountAfterOpening decides whether the mount goes on.
func (l *loop) mountAfterOpening(r Reading) {
	one := l.enc
	known := l.tracker.begun
	if last, ok := l.ids.LastCount[one.cfg.Name]; !known && ok && l.ids.LastMount > 0 {
		l.tracker.restart(Reading{Ticks: last, Unit: r.Unit, Decimals: r.Decimals})
		known, one.mount = true, l.ids.LastMount
	}
	same := l.tracker.resume(r)
	l.detector.reclock()
	one.mountFrom = 1
	switch {
	case l.newMount != "":
		l.startMount(l.newMount, 1)
	case !known:
		l.startMount("start", 1)
	case same:
		l.datum(one, DatumMount, one.mount, 1, "reconnect")
		l.noticeMountContinues()
	default:
		l.startMount("reconnect", 1)
		l.noticeNewMount("the encoder came back more than 2° from where it was")
	}
}

// startMount begins a mount with the encoder reading fromSeq.
func (l *loop) startMount(cause string, fromSeq int64) Datum {
	l.newMount, l.mountFree, l.index = "", l.selection.Job == 0, indexWatch{}
	l.ids.LastMount++
	l.enc.mount, l.enc.mountFrom = l.ids.LastMount, fromSeq
	return l.datum(l.enc, DatumMount, l.enc.mount, fromSeq, cause)
}

// lostCounts: the angle starts anew with the next reading.
func (l *loop) lostCounts() {
	l.sweeps(l.detector.end(-1, CauseLostCounts))
	l.detector.reclock()
	l.lastMove, l.heldMove = move{}, move{}
	l.startMount(CauseLostCounts, l.enc.seq+1)
	l.noticeLostCounts()
}

func (l *loop) indicatorReading(one *instrument, r Reading) {
	mm, anew := one.cfg.HeightMM(r), one.fresh
	if anew {
		l.datumAfterOpening(one, mm)
	}
	r = l.accept(one, r)
	one.value, one.atDeg = mm, l.enc.value
	one.recent.add(r)
	if one.still.movedTwice(mm, l.b.cfg.Sweep.ContactMM) && l.offStand(one) == nil {
		l.moved(r.AtNS)
	}
	one.drift.add(mm)
	one.resolution.Add(wire.Value{Ticks: r.Ticks, Decimals: r.Decimals, Unit: r.Unit})
	l.standHears(one, r, mm, anew)
	l.keep(one, r)
	l.sweeps(l.detector.indicator(one.index, r.AtNS, r.Seq, mm))
}

// datumAfterOpening decides whether an indicator's setup and zero go on.
func (l *loop) datumAfterOpening(one *instrument, mm float64) {
	l.detector.reopen(one.index)
	if one.setup == 0 {
		l.newSetup(one, "start")
		return
	}
	l.datum(one, DatumSetup, one.setup, 1, "reconnect")
	turned := math.Abs(l.enc.value - one.atDeg)
	if math.Abs(mm-one.value) <= 2*l.b.cfg.Sweep.ContactMM && turned <= l.b.cfg.Sweep.MotionDeg {
		l.datum(one, DatumZeroing, one.zeroing, 1, "reconnect")
		return
	}
	l.newZeroing(one, "reconnect")
	l.detector.place(one.index, one.cylinder != 0)
	l.noticeZeroUncertain(one)
}

// newSetup: the indicator was put somewhere else, so its height counts from
// elsewhere too.
func (l *loop) newSetup(one *instrument, cause string) {
	l.ids.LastSetup++
	one.setup = l.ids.LastSetup
	l.datum(one, DatumSetup, one.setup, one.seq+1, cause)
	l.newZeroing(one, cause)
}

func (l *loop) newZeroing(one *instrument, cause string) Datum {
	l.ids.LastZeroing++
	one.zeroing = l.ids.LastZeroing
	return l.datum(one, DatumZeroing, one.zeroing, one.seq+1, cause)
}

// datum goes into the batch with the stream it belongs to.
func (l *loop) datum(one *instrument, kind DatumKind, number int, fromSeq int64, cause string) Datum {
	if one.opened == nil {
		return Datum{Kind: kind, Number: number, Cause: cause} // told when the port is open
	}
	l.ids.LastDatum++
	d := Datum{ID: l.ids.LastDatum, Stream: one.opened.ID, FromSeq: fromSeq, Kind: kind, Number: number, Cause: cause}
	if one.announced {
		l.cur.batch.Data = append(l.cur.batch.Data, d)
	} else {
		one.data = append(one.data, d)
	}
	return d
}

// still is a value that may flicker without moving.
type still struct {
	begun    bool
	lo, hi   float64
	out      int
	oddBelow bool
}

// moved tells whether v left the band that flicker explains.
func (s *still) moved(v, flicker float64) bool {
	if !s.begun {
		*s = still{begun: true, lo: v, hi: v}
		return false
	}
	s.lo, s.hi = min(s.lo, v), max(s.hi, v)
	if s.hi-s.lo <= flicker {
		return false
	}
	s.lo, s.hi = v, v
	return true
}

// movedTwice is moved, for values of which a single one may be wrong.
func (s *still) movedTwice(v, flicker float64) bool {
	if !s.begun || max(s.hi, v)-min(s.lo, v) <= flicker {
		s.out = 0
		return s.moved(v, flicker)
	}
	below := v < s.lo
	if s.out++; s.out < 2 || below != s.oddBelow {
		s.out, s.oddBelow = 1, below
		return false
	}
	s.out, s.lo, s.hi = 0, v, v
	return true
}

// extent is how far values went, single ones apart.
type extent struct {
	begun        bool
	prev, lo, hi float64
}

func (e *extent) add(v float64) {
	if !e.begun {
		*e = extent{begun: true, prev: v, lo: v, hi: v}
		return
	}
	e.lo, e.hi = min(e.lo, max(e.prev, v)), max(e.hi, min(e.prev, v))
	e.prev = v
}

func (e *extent) span() float64 { return e.hi - e.lo }
