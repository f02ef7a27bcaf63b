package acquire

import "math"

// point is a moment on both streams: the encoder's reading there and the last
// reading of each indicator seen by then.
type point struct {
	atNS  int64
	deg   float64
	enc   int64 // encoder seq
	early int64 // encoder seq a little before
	late  int64 // encoder seq a little after, as far as it has come
	ind   [maxIndicators]int64
}

// maxIndicators is how many indicators one bench may have.
const maxIndicators = 8

// What fits need of the encoder's stream before a sweep and behind it: a
// window of its smoothing and the largest latency.
const (
	earlyNS = 1000e6
	lateNS  = 500e6
)

// motion follows which way the crank turns. It turns one way from motionDeg of
// travel on, and goes on doing so through stops and through spring-backs below
// reversalDeg, until it has come reversalDeg back or has stood for idleNS.
type motion struct {
	motionDeg, reversalDeg float64
	idleNS                 int64

	begun  bool
	dir    int   // +1, −1; 0: standing, or not known yet
	lo, hi point // last moments at the least and greatest angle while dir is 0
	first  point // first moment at the furthest angle of this motion
	last   point // last moment there
	from   point // where this motion began
}

// add takes an encoder reading. It reports whether the crank reversed there,
// and where the motion before ended.
func (m *motion) add(p point) (was point, reversed bool) {
	if !m.begun {
		m.begun = true
		m.lo, m.hi = p, p
		return was, false
	}
	if m.dir == 0 {
		m.start(p)
		return was, false
	}
	if p.atNS-m.first.atNS <= lateNS {
		m.first.late = p.enc
	}
	d := float64(m.dir)
	switch ahead := d * (p.deg - m.first.deg); {
	case ahead > 0:
		m.first, m.last = p, p
	case ahead == 0:
		m.last = p
	case ahead <= -m.reversalDeg:
		was, m.from = m.first, m.last
		m.dir = -m.dir
		m.first, m.last = p, p
		return was, true
	}
	return was, false
}

// start looks whether a standing crank has begun to move.
func (m *motion) start(p point) {
	if p.deg <= m.lo.deg {
		m.lo = p
	}
	if p.deg >= m.hi.deg {
		m.hi = p
	}
	switch {
	case p.deg-m.lo.deg >= m.motionDeg:
		m.dir, m.from = 1, m.lo
	case m.hi.deg-p.deg >= m.motionDeg:
		m.dir, m.from = -1, m.hi
	default:
		return
	}
	m.first, m.last = p, p
}

// idle tells whether the crank has stood for the idle time since it moved on.
func (m *motion) idle(nowNS int64) bool { return m.dir != 0 && nowNS-m.first.atNS >= m.idleNS }

// rest ends the motion. A later one begins from where the crank stands then.
func (m *motion) rest() {
	*m = motion{motionDeg: m.motionDeg, reversalDeg: m.reversalDeg, idleNS: m.idleNS}
}

// moved is how far the last motion went, in degrees, and which way.
func (m *motion) moved() (dir int, deg float64) {
	if m.dir == 0 {
		return 0, 0
	}
	return m.dir, math.Abs(m.first.deg - m.from.deg)
}

// earlier remembers which encoder reading came earlyNS ago.
type earlier struct {
	at, seq [64]int64
	head, n int
}

func (e *earlier) add(atNS, seq int64) int64 {
	const every = earlyNS / 50
	if last := (e.head + e.n - 1) % len(e.at); e.n == 0 || atNS-e.at[last] >= every {
		if e.n == len(e.at) {
			e.head, e.n = (e.head+1)%len(e.at), e.n-1
		}
		i := (e.head + e.n) % len(e.at)
		e.at[i], e.seq[i] = atNS, seq
		e.n++
	}
	for e.n > 1 && atNS-e.at[(e.head+1)%len(e.at)] >= earlyNS {
		e.head, e.n = (e.head+1)%len(e.at), e.n-1
	}
	return e.seq[e.head]
}
