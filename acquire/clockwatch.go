package acquire

import "crownmark/acquire/wire"

// OwnClock is an instrument's own clock as it stands against ours.
type OwnClock struct {
	GainsPPM  *float64 // it runs fast by so much; nil: not known yet
	RunsOver  int64    // µs, where it begins at 0 again; 0: not seen yet
	Restarted int      // times that it was started anew since the port was opened
	LateMS    float64  // the last line arrived so much after what its time says, against the promptest
}

// clockWatch follows an instrument's own clock, for people to see; the times
// that a fit takes are made by Timed.
type clockWatch struct {
	decoder   wire.Decoder
	clock     ownClock
	restarted int
	lateMS    float64
}

// newClockWatch is nil for an instrument that tells no time.
func newClockWatch(c InstrumentConfig) *clockWatch {
	if !c.tellsTime() {
		return nil
	}
	decoder, err := wire.NewLineDecoder(c.Pattern, c.Kind == KindEncoder, UnitMM)
	if err != nil {
		return nil // its port cannot be opened either
	}
	return &clockWatch{decoder: decoder}
}

// open begins anew: a port was opened.
func (w *clockWatch) open() {
	if w != nil {
		*w = clockWatch{decoder: w.decoder}
	}
}

func (w *clockWatch) add(r Reading) {
	if w == nil {
		return
	}
	v, err := w.decoder.Decode(r.Raw)
	if err != nil || !v.HasTime {
		return
	}
	x, verdict := w.clock.take(v.TimeUS, r.AtNS)
	switch verdict {
	case clockFollows:
		w.lateMS = max(0, float64(r.AtNS-w.clock.at(x))/1e6)
	case clockRestarts:
		if w.clock.begun && r.AtNS-w.clock.arrivedNS <= clockRestNS {
			w.restarted++
		}
		w.clock.restart(v.TimeUS, r.AtNS)
		w.lateMS = 0
	}
}

// told is the clock for people, nil where there is none.
func (w *clockWatch) told() *OwnClock {
	if w == nil {
		return nil
	}
	out := &OwnClock{RunsOver: w.clock.span, Restarted: w.restarted, LateMS: w.lateMS}
	if len(w.clock.points) >= fewPoints {
		gains := -w.clock.b * 1e6
		out.GainsPPM = &gains
	}
	return out
}
