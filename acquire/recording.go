package acquire

import (
	"cmp"
	"slices"
)

// preRollNS: readings of so long before something moved are kept with it.
const preRollNS = 2e9

// keep puts a reading into the batch, or holds it back in case that something
// moves soon.
func (l *loop) keep(one *instrument, r Reading) {
	if l.recording {
		l.announce(one)
		one.kept = r.Seq
		one.batch = append(one.batch, r)
		l.curRows++
		return
	}
	one.ring.push(r)
	l.letGo(one)
}

// moved notes that something moved: recording starts, if a job is selected.
func (l *loop) moved(atNS int64) {
	l.movedNS = max(l.movedNS, atNS)
	if l.selection.Job != 0 {
		l.startRecording()
	}
}

func (l *loop) startRecording() {
	if l.recording {
		return
	}
	l.recording = true
	for _, one := range l.all {
		l.catchUp(one)
	}
}

// catchUp puts what was held back into the batch.
func (l *loop) catchUp(one *instrument) {
	if one.opened == nil {
		return
	}
	l.announce(one)
	l.letGo(one)
	held := one.ring.all()
	if len(held) == 0 {
		return
	}
	if one.skipped > 0 {
		one.gaps = append(one.gaps, Gap{Stream: one.opened.ID, AfterSeq: one.kept, AtNS: held[0].AtNS, Reason: string(UnusedUnwatched), N: one.skipped})
		one.skipped = 0
	}
	if one.kept != held[0].Seq-1 || one.kept == 0 {
		one.keptFrom = held[0].Seq
	}
	one.batch = append(one.batch, held...)
	one.kept = held[len(held)-1].Seq
	l.curRows += len(held)
	one.ring.clear()
}

// announce puts the stream into the batch, before anything that belongs to it.
func (l *loop) announce(one *instrument) {
	if one.opened == nil || one.announced {
		return
	}
	one.announced = true
	l.cur.batch.Streams = append(l.cur.batch.Streams, *one.opened)
	l.cur.batch.Data = append(l.cur.batch.Data, one.data...)
	one.data = nil
}

// stopRecording ends recording when nothing has moved for the idle time and no
// sweep runs.
func (l *loop) stopRecording() {
	if !l.recording {
		return
	}
	busy := slices.ContainsFunc(l.running, func(s *sweepRun) bool { return s != nil })
	if l.selection.Job == 0 || !busy && l.now-l.movedNS > int64(l.b.cfg.Sweep.IdleS*1e9) {
		l.recording = false
	}
}

// letGo drops what was held back for longer than the pre-roll, but never the
// last reading: marks refer to it.
func (l *loop) letGo(one *instrument) {
	for {
		held := one.ring.all()
		if len(held) < 2 || l.now-held[0].AtNS <= preRollNS && len(held) <= maxRing {
			return
		}
		l.drop(one)
	}
}

func (l *loop) letAllGo(one *instrument) {
	for len(one.ring.all()) > 0 {
		l.drop(one)
	}
}

func (l *loop) drop(one *instrument) {
	one.ring.pop()
	one.skipped++
	one.tally.miss(UnusedUnwatched, 1)
}

// gap notes missing readings while they would have been kept; alike ones of
// one batch are counted together.
func (l *loop) gap(one *instrument, g Gap) {
	if !l.recording || one.opened == nil {
		return
	}
	for i := range one.gaps {
		if have := &one.gaps[i]; have.Reason == g.Reason && have.AfterSeq == one.kept {
			have.N += g.N
			return
		}
	}
	const rawBytes = 64
	g.Stream, g.AfterSeq = one.opened.ID, one.kept
	g.Raw = slices.Clone(g.Raw[:min(len(g.Raw), rawBytes)])
	l.announce(one)
	one.gaps = append(one.gaps, g)
	l.curRows++
}

// flush hands the batch over. Readings go in stream by stream. If the queue is
// full they are given up, counted and told; everything else always goes.
func (l *loop) flush() {
	l.flushedNS = l.now
	e := l.cur
	n := 0
	for _, one := range l.all {
		n += len(one.batch)
	}
	overrun := l.b.queue.full(n)
	order := slices.Clone(l.all)
	slices.SortFunc(order, func(a, b *instrument) int { return cmp.Compare(a.streamID(), b.streamID()) })
	if n > 0 && !overrun {
		e.batch.Readings = make([]Reading, 0, n)
	}
	for _, one := range order {
		switch {
		case len(one.batch) == 0:
		case overrun:
			l.overrun(one)
		default:
			e.batch.Readings = append(e.batch.Readings, one.batch...)
			e.upto = append(e.upto, streamSeq{one.opened.ID, one.kept})
		}
		clear(one.batch)
		one.batch = one.batch[:0]
		e.batch.Gaps = append(e.batch.Gaps, one.gaps...)
		one.gaps = nil
	}
	e.batch.Readings = append(e.batch.Readings, l.handBatch...)
	l.handBatch = nil
	if l.curRows = 0; e.batch.Empty() && len(e.waiting) == 0 {
		return
	}
	l.cur = &entry{}
	l.b.queue.put(e)
}

// overrun gives an instrument's batch up.
func (l *loop) overrun(one *instrument) {
	n := int64(len(one.batch))
	one.tally.miss(UnusedOverrun, n)
	one.gaps = append(one.gaps, Gap{Stream: one.opened.ID, AfterSeq: one.batch[0].Seq - 1, AtNS: one.batch[0].AtNS, Reason: string(UnusedOverrun), N: n})
	l.noticeOverrun()
}

func (one *instrument) streamID() int64 {
	if one.opened == nil {
		return 0
	}
	return one.opened.ID
}

// ring holds readings back, oldest first.
type ring struct {
	held []Reading
	head int
}

// maxRing readings are held back at most: 2 s at 8,000 a second.
const maxRing = 16_384

func (r *ring) push(x Reading) {
	if r.head > 0 && len(r.held) == cap(r.held) {
		n := copy(r.held, r.held[r.head:])
		clear(r.held[n:])
		r.held, r.head = r.held[:n], 0
	}
	r.held = append(r.held, x)
}

func (r *ring) pop() {
	r.held[r.head] = Reading{}
	r.head++
}

func (r *ring) all() []Reading { return r.held[r.head:] }

func (r *ring) clear() {
	clear(r.held)
	r.held, r.head = r.held[:0], 0
}
