package acquire

import "math"

// tracker follows an encoder's count: it unwraps counters that run over, keeps
// single wrong digits out and notices when counts were lost.
type tracker struct {
	cfg InstrumentConfig

	begun     bool
	last      Reading // last good one
	unwrapped int64   // ticks, growing through run-overs
	usualNS   float64 // usual time between readings
	doubt     Reading // last of the readings that do not follow from last
	doubts    int     // how many in a row
}

type trackVerdict uint8

const (
	trackGood    trackVerdict = iota
	trackDoubted              // no hand turns so fast: a wrong digit, or counts were lost
	trackLost                 // counts were lost: the angle starts anew with this reading
)

const (
	// maxDegS is beyond what a hand on a bar does.
	maxDegS = 360.0
	// slackS of that speed is allowed besides: readings arrive in bursts.
	slackS = 0.05
	// doubtsToLose in a row agree with each other: not digits but counts went wrong.
	doubtsToLose = 3
	// sameMountDeg: a counter that comes back this near after a silence was
	// neither moved nor reset.
	sameMountDeg = 2.0
	silentNS     = 1e9
)

// add takes the next reading of a stream.
func (t *tracker) add(r Reading) trackVerdict {
	if !t.begun {
		t.restart(r)
		return trackGood
	}
	if step, ok := t.follows(t.last, r); ok {
		if dt := float64(r.AtNS - t.last.AtNS); r.Burst == 0 && dt < 10*silentNS {
			t.usualNS += (dt - t.usualNS) / 16
		}
		t.last, t.doubts = r, 0
		t.unwrapped += step
		return trackGood
	}
	if _, ok := t.follows(t.doubt, r); ok && t.doubts > 0 {
		t.doubts++
	} else {
		t.doubts = 1
	}
	if t.doubt = r; t.doubts < doubtsToLose {
		return trackDoubted
	}
	t.restart(r)
	return trackLost
}

func (t *tracker) restart(r Reading) {
	t.begun, t.last, t.unwrapped, t.doubts = true, r, r.Ticks, 0
}

// resume goes on with a new stream, if its first reading is where the last one
// of the stream before was.
func (t *tracker) resume(r Reading) bool {
	if !t.begun || !t.near(r) {
		t.restart(r)
		return false
	}
	step := CountStep(t.last.Ticks, r.Ticks, t.perTurn(r))
	t.last, t.doubts = r, 0
	t.unwrapped += step
	return true
}

// near tells whether a new stream's first reading is where the last one was.
func (t *tracker) near(r Reading) bool {
	return r.Unit == t.last.Unit && r.Decimals == t.last.Decimals && t.deg(CountStep(t.last.Ticks, r.Ticks, t.perTurn(r)), r) <= sameMountDeg
}

// agree tells whether b can come right after a.
func (t *tracker) agree(a, b Reading) bool {
	_, ok := t.follows(a, b)
	return ok
}

// follows tells whether b can come after a, and how far it went.
func (t *tracker) follows(a, b Reading) (step int64, ok bool) {
	if a.Unit != b.Unit || a.Decimals != b.Decimals {
		return 0, false
	}
	step = CountStep(a.Ticks, b.Ticks, t.perTurn(b))
	dt := float64(b.AtNS-a.AtNS) / 1e9
	most := maxDegS*(dt+slackS) + t.deg(2, b)
	if dt*1e9 > max(silentNS, 5*t.usualNS) {
		most = sameMountDeg // it may have been without power
	}
	return step, t.deg(step, b) <= most
}

func (t *tracker) perTurn(r Reading) float64 { return t.cfg.TicksPerTurn(r.Unit, r.Decimals) }

// deg is how many degrees ticks come to, without sign.
func (t *tracker) deg(ticks int64, r Reading) float64 {
	return math.Abs(t.cfg.AngleDeg(ticks, r.Unit, r.Decimals))
}

// angleDeg is where the encoder stands, in the configured direction.
func (t *tracker) angleDeg() float64 {
	return t.cfg.AngleDeg(t.unwrapped, t.last.Unit, t.last.Decimals)
}
