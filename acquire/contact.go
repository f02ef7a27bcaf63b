package acquire

import "math"

// contact tells whether a plunger touches. A free plunger stands on its
// resting stop: it shows one value while the crank turns, and no lower one. It
// touches once the height has left that value by contactMM, either way round,
// so that a wrong sign is seen and said instead of being taken for rest.
//
// A single reading never decides: digits get lost on the wire.
type contact struct {
	contactMM float64

	begun    bool
	prev     float64
	touching bool
	touched  bool    // ever, in this setup
	fell     bool    // it left its resting stop downward, which no plunger can
	since    point   // first reading in contact
	off      point   // when the height last rose from the lowest it had been
	left     point   // first reading back on the stop, while !touching
	rest     float64 // what the stop shows, NaN until known
	low      float64 // lowest and highest height in this setup
	high     float64

	flat flat
	odd  flat // what may become the next flat: one reading outside it
	out  int  // how many readings outside flat, one after the other
}

// flat is a stretch of heights that differ by contactMM at most.
type flat struct {
	lo, hi       float64
	from         point
	least, great float64 // encoder angles over it
}

func (f flat) travel() float64 { return f.great - f.least }

// How far the crank must turn over a flat before it is the resting stop. A
// piston's own dwell is shorter: at the top it is not low, and at the bottom
// the curve leaves contactMM within a few degrees.
const (
	restUnknownDeg = 15.0
	restKnownDeg   = 3.0
)

func newContact(mm float64) contact { return contact{contactMM: mm, rest: math.NaN()} }

// add takes a height at a moment. It reports whether contact began or ended.
func (c *contact) add(h float64, p point) (changed bool) {
	if !c.begun {
		c.begun, c.prev, c.low, c.high = true, h, h, h
		c.flat = newFlat(h, p)
		return false
	}
	c.low, c.high = min(c.low, max(c.prev, h)), max(c.high, min(c.prev, h))
	c.prev = h
	if c.flat.takes(h, c.contactMM) {
		c.out = 0
		c.flat.add(h, p.deg)
	} else if c.out++; c.out == 1 {
		c.odd = newFlat(h, p)
	} else {
		began := c.odd.from
		if !c.odd.takes(h, c.contactMM) {
			c.odd = newFlat(h, p)
		} else {
			c.odd.add(h, p.deg)
		}
		if c.flat.lo <= c.low+c.contactMM && c.odd.lo > c.flat.hi {
			c.off = began
		}
		c.flat, c.out = c.odd, 0
		if !c.touching {
			c.fell = c.fell || c.flat.hi < c.rest-c.contactMM // false while rest is NaN
			c.touching, c.touched, c.since = true, true, began
			return true
		}
	}
	return c.settle()
}

// settle looks whether the plunger has come back to its stop.
func (c *contact) settle() bool {
	level, far := (c.flat.lo+c.flat.hi)/2, c.flat.travel()
	atRest := far >= restKnownDeg && math.Abs(level-c.rest) <= c.contactMM ||
		far >= restUnknownDeg && (!c.touched || c.flat.lo <= c.low+c.contactMM)
	if !atRest {
		return false
	}
	c.rest = level
	if !c.touching {
		return false
	}
	c.touching, c.left = false, c.flat.from
	return true
}

// turned takes an encoder angle: only a turning crank proves a resting stop.
func (c *contact) turned(deg float64) {
	if c.begun && c.out == 0 {
		c.flat.least, c.flat.great = min(c.flat.least, deg), max(c.flat.great, deg)
	}
}

// reclock forgets angles: the encoder counts from elsewhere now.
func (c *contact) reclock(deg float64) {
	c.flat.least, c.flat.great = deg, deg
	c.odd.least, c.odd.great = deg, deg
}

func newFlat(h float64, p point) flat {
	return flat{lo: h, hi: h, from: p, least: p.deg, great: p.deg}
}

func (f *flat) takes(h, width float64) bool {
	const rounding = 1e-9
	return max(f.hi, h)-min(f.lo, h) <= width+rounding
}

func (f *flat) add(h, deg float64) {
	f.lo, f.hi = min(f.lo, h), max(f.hi, h)
	f.least, f.great = min(f.least, deg), max(f.great, deg)
}

// restream goes on with a new stream: what was seen up to now has other numbers.
func (c *contact) restream(now point) {
	c.flat.from, c.odd.from, c.since, c.left, c.off = now, now, now, now, now
}
