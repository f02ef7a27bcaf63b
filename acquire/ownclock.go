package acquire

import (
	"math"
	"slices"
)

// ownClock turns an instrument's own times into ours. What adapter and system
// do to arrivals (lumps, delays, a busy machine) is then gone; what is left is
// one constant delay, which the fit takes as latency.
//
// The device's clock is a line against ours: arrival = a + b·device + lateness,
// lateness ≥ 0. Each quarter of a second keeps its least late reading, since
// that says most; b is the median of the slopes between kept ones half a
// window apart (Theil and Sen's estimator on a half of the pairs), a the
// median of what is left. A window of 64 of them follows the clock's drift and
// shrugs off a quarter of wrong ones.
//
// A clock that runs over is followed. Three readings in a row that do not
// follow from the line mean that the device was started anew, and so is the
// line; until then such a reading keeps its arrival. After a pause the line is
// drawn anew too, since nobody knows how the clock drifted meanwhile.
type ownClock struct {
	begun  bool
	us     int64 // device time of the last believed reading, as said
	maxUS  int64 // greatest seen
	turns  int64 // µs that run-overs add
	span   int64 // what the clock runs over at; 0: not seen yet
	doubts int

	arrivedNS      int64        // when the last believed reading did
	baseUS, baseNS int64        // where the line begins
	points         []clockPoint // least late ones, oldest first
	best           clockPoint   // of the running block
	blockEnd       float64
	a, b           float64 // ns, and ns per ns
	slopes, rests  []float64
}

// clockPoint is device time since the line's beginning and how much later than that
// it arrived, both in ns.
type clockPoint struct{ x, late float64 }

const (
	blockNS     = 250e6
	clockPoints = 64
	fewPoints   = 3    // before, the device's clock is taken as true
	mostDrift   = 0.01 // no clock is worse
	mostEarlyNS = 50e6 // nothing arrives so much before its time
	mostLateNS  = 2e9  // nothing is held up so long
	resetAfter  = 3
	clockRestNS = 10e9 // a pause
)

// clockVerdict is what a reading is to the line.
type clockVerdict uint8

const (
	clockFollows  clockVerdict = iota
	clockDoubted               // it does not follow, and keeps its arrival
	clockRestarts              // it is the first of a new line
)

// take takes a reading into the line, but for one that restarts it.
func (c *ownClock) take(deviceUS, arrivalNS int64) (x float64, verdict clockVerdict) {
	if !c.begun || arrivalNS-c.arrivedNS > clockRestNS {
		return 0, clockRestarts
	}
	x, ok := c.follow(deviceUS, arrivalNS)
	if !ok {
		if c.doubts++; c.doubts < resetAfter {
			return 0, clockDoubted
		}
		c.span = 0
		return 0, clockRestarts
	}
	c.doubts, c.arrivedNS = 0, arrivalNS
	c.us, c.maxUS = deviceUS, max(c.maxUS, deviceUS)
	c.learn(clockPoint{x, float64(arrivalNS-c.baseNS) - x})
	return x, clockFollows
}

// restart begins the line with a reading, at x = 0.
func (c *ownClock) restart(us, ns int64) {
	*c = ownClock{begun: true, us: us, maxUS: us, span: c.span, arrivedNS: ns, baseUS: us, baseNS: ns, blockEnd: blockNS,
		best: clockPoint{late: math.Inf(1)}, points: c.points[:0], slopes: c.slopes, rests: c.rests}
	c.learn(clockPoint{})
}

// at is where the line has a reading, as far as it is known by now.
func (c *ownClock) at(x float64) int64 { return c.baseNS + int64(math.Round(x+c.a+c.b*x)) }

// follow unwraps a device time. It is not ok if the line does not lead there.
func (c *ownClock) follow(us, arrivalNS int64) (x float64, ok bool) {
	if us >= c.us {
		x = float64(us+c.turns-c.baseUS) * 1e3
		if ok = c.near(x, arrivalNS, mostEarlyNS, mostLateNS); ok || c.span == 0 {
			return x, ok
		}
	}
	for _, span := range c.spans() {
		due := float64(arrivalNS-c.baseNS)/1e3 + float64(c.baseUS-c.turns-us) // µs by which it seems to lie back
		n := max(1, math.Round(due/float64(span)))
		x = float64(us+c.turns-c.baseUS)*1e3 + n*float64(span)*1e3
		most := min(mostEarlyNS, float64(span)*1e3/4)
		if c.near(x, arrivalNS, most, max(most, float64(span)*1e3/4-most)) {
			c.turns, c.span, c.maxUS = c.turns+int64(n)*span, span, max(c.maxUS, us)
			return x, true
		}
	}
	return 0, false
}

// spans are what the clock may run over at.
func (c *ownClock) spans() []int64 {
	if c.span > 0 {
		return []int64{c.span}
	}
	all := []int64{1 << 16, 1e6, 1e7, 1 << 24, 1e8, 1e9, 1 << 31, 1 << 32, 1e10, 1e12}
	return slices.DeleteFunc(all, func(n int64) bool { return n <= c.maxUS })
}

// near tells whether a device time lies about where the line has it.
func (c *ownClock) near(x float64, arrivalNS int64, early, late float64) bool {
	rest := float64(arrivalNS-c.baseNS) - x - c.a - c.b*x
	slack := 0.0
	if len(c.points) < fewPoints {
		slack = mostDrift * x
	}
	return rest > -early-slack && rest < late+slack
}

// learn takes a reading into the line.
func (c *ownClock) learn(p clockPoint) {
	if len(c.points) < fewPoints {
		if c.a = min(c.a, p.late); len(c.points) == 0 && p.x == 0 {
			c.a = p.late
		}
	}
	if p.x >= c.blockEnd {
		if !math.IsInf(c.best.late, 1) {
			c.close()
		}
		c.best, c.blockEnd = p, p.x+blockNS
	}
	if p.late-c.b*p.x < c.best.late-c.b*c.best.x {
		c.best = p
	}
}

// close ends a block and draws the line anew.
func (c *ownClock) close() {
	if len(c.points) == clockPoints {
		c.points = append(c.points[:0], c.points[1:]...)
	}
	c.points = append(c.points, c.best)
	n := len(c.points)
	if n < fewPoints {
		return
	}
	c.slopes = c.slopes[:0]
	for i, p := range c.points[:n-n/2] {
		if q := c.points[i+n/2]; q.x > p.x {
			c.slopes = append(c.slopes, (q.late-p.late)/(q.x-p.x))
		}
	}
	c.b = min(max(median(c.slopes), -mostDrift), mostDrift)
	c.rests = c.rests[:0]
	for _, p := range c.points {
		c.rests = append(c.rests, p.late-c.b*p.x)
	}
	c.a = median(c.rests)
}

// median sorts what it is given.
func median(v []float64) float64 {
	slices.Sort(v)
	if n := len(v); n%2 == 1 {
		return v[n/2]
	} else if n > 0 {
		return (v[n/2-1] + v[n/2]) / 2
	}
	return 0
}
