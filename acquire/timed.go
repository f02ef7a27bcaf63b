package acquire

import (
	"iter"

	"crownmark/acquire/wire"
)

// Timed is a reading and when it was made, up to a constant delay.
type Timed struct {
	Reading
	MadeNS int64
	Own    bool // MadeNS is from the instrument's own clock; else it is the arrival, or just before the next reading
}

// Late is the place in a lump by which MadeNS may be too late; 0 where the
// instrument itself told the time, since that knows of no lumps.
func (t *Timed) Late() int {
	if t.Own {
		return 0
	}
	return t.Burst
}

// TimedAheadNS: a reading's time depends on what came so much later, too.
const TimedAheadNS = clockPoints / 2 * blockNS

// Timed finds out when readings of one stream were made, from their arrivals
// and their raw lines alone. An instrument that tells no time, or whose stream
// was kept by its own time instead of arrivals, has them as they stand.
func (c InstrumentConfig) Timed(readings iter.Seq2[Reading, error]) iter.Seq2[Timed, error] {
	return func(yield func(Timed, error) bool) {
		if !c.ArrivalsKept || !c.tellsTime() {
			for r, err := range readings {
				if !yield(Timed{Reading: r, MadeNS: r.AtNS}, err) {
					return
				}
			}
			return
		}
		decoder, err := wire.NewLineDecoder(c.Pattern, c.Kind == KindEncoder, UnitMM)
		if err != nil {
			yield(Timed{}, err)
			return
		}
		t := timing{decoder: decoder, yield: yield}
		for r, err := range readings {
			if err != nil {
				_ = t.release(r.AtNS, true) && yield(Timed{}, err)
				return
			}
			if !t.take(r) {
				return
			}
		}
		t.release(0, true)
	}
}

// timing holds readings back until the line through what came around them is
// known.
type timing struct {
	decoder wire.Decoder
	yield   func(Timed, error) bool
	clock   ownClock
	held    []heldReading
	lastNS  int64 // last time given
}

type heldReading struct {
	Reading
	x   float64 // on the clock's line
	own bool
}

// take takes the next reading, and tells whether to go on.
func (t *timing) take(r Reading) bool {
	held := heldReading{Reading: r}
	if v, err := t.decoder.Decode(r.Raw); err == nil && v.HasTime {
		x, verdict := t.clock.take(v.TimeUS, r.AtNS)
		if verdict == clockRestarts {
			if !t.release(r.AtNS, true) {
				return false
			}
			t.clock.restart(v.TimeUS, r.AtNS)
		}
		held.x, held.own = x, verdict != clockDoubted
	}
	t.held = append(t.held, held)
	return t.release(r.AtNS, false)
}

// release hands on what is held, or all of it that is old enough at nowNS.
func (t *timing) release(nowNS int64, all bool) bool {
	n := 0
	for ; n < len(t.held) && (all || nowNS-t.held[n].AtNS > TimedAheadNS); n++ {
		t.lastNS = max(t.lastNS, t.made(n))
		if !t.yield(Timed{Reading: t.held[n].Reading, MadeNS: t.lastNS, Own: t.held[n].own}, nil) {
			return false
		}
	}
	t.held = append(t.held[:0], t.held[n:]...)
	return true
}

// made is when the nth of those held was made: one that does not follow from
// the line was at its arrival, but before the next that does.
func (t *timing) made(n int) int64 {
	at := t.held[n].AtNS
	for _, h := range t.held[n:min(n+resetAfter, len(t.held))] {
		if h.own {
			return min(t.clock.at(h.x), at)
		}
	}
	return at
}
