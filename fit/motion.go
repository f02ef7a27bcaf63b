package fit

import "math"

// A hand turns the crank: its speed wanders as a Wiener process of some
// intensity, and the encoder tells at some times between which bounds the angle
// lies. Filter and smoother of that motion (Kalman; Rauch, Tung and Striebel),
// with each reading's bounds turned into a mean and a variance by their moments
// (expectation propagation: Minka 2001), give angle, speed and how surely both
// are known at any time.

// point is a reading of the encoder: at time t (s) the angle lies between lo
// and hi (degrees), but for soft (a standard deviation: the time is not exact).
// deg and variance (deg²) are what that comes to: by the bounds alone or, where
// the counts pass slowly enough for the point to be bound, by all else that is known.
type point struct {
	t, lo, hi, soft float64
	deg, variance   float64
	bound           bool
}

// motion is what is known of angle (deg) and speed (deg/s) at a time.
type motion struct{ deg, vel, pdd, pdv, pvv float64 }

// unknownMotion is a start of which nothing is known but about where.
func unknownMotion(deg float64) motion { return motion{deg: deg, pdd: 1, pvv: 1e4} }

// after is what is known dt seconds later; restless is the intensity of the
// speed's wandering, deg²/s³.
func (m motion) after(dt, restless float64) motion {
	return motion{m.deg + dt*m.vel, m.vel,
		m.pdd + dt*(2*m.pdv+dt*m.pvv) + restless*dt*dt*dt/3,
		m.pdv + dt*m.pvv + restless*dt*dt/2,
		m.pvv + restless*dt}
}

// see takes an angle of some variance in and returns the square of the surprise
// and what that was expected to be.
func (m *motion) see(deg, variance float64) (off2, expected float64) {
	expected = m.pdd + variance
	kd, kv := m.pdd/expected, m.pdv/expected
	off := deg - m.deg
	m.deg += kd * off
	m.vel += kv * off
	m.pvv -= kv * m.pdv
	m.pdv *= 1 - kd
	m.pdd *= 1 - kd
	return off * off, expected
}

// smoothed is what is known of this moment from all readings, before and
// after: ahead is the next moment as it was foreseen from here, then what is
// known of it from all readings; dt lies between.
func (m motion) smoothed(dt float64, ahead, known motion) motion {
	det := ahead.pdd*ahead.pvv - ahead.pdv*ahead.pdv
	if !(det > 0) {
		return m
	}
	// C = P·Fᵀ·P'⁻¹
	a, b := m.pdd+dt*m.pdv, m.pdv+dt*m.pvv
	c11, c12 := (a*ahead.pvv-m.pdv*ahead.pdv)/det, (m.pdv*ahead.pdd-a*ahead.pdv)/det
	c21, c22 := (b*ahead.pvv-m.pvv*ahead.pdv)/det, (m.pvv*ahead.pdd-b*ahead.pdv)/det
	dd, dv, vv := known.pdd-ahead.pdd, known.pdv-ahead.pdv, known.pvv-ahead.pvv
	d, v := known.deg-ahead.deg, known.vel-ahead.vel
	return motion{m.deg + c11*d + c12*v, m.vel + c21*d + c22*v,
		m.pdd + c11*c11*dd + 2*c11*c12*dv + c12*c12*vv,
		m.pdv + c11*c21*dd + (c11*c22+c12*c21)*dv + c12*c22*vv,
		m.pvv + c21*c21*dd + 2*c21*c22*dv + c22*c22*vv}
}

const (
	nothingTold = 1e6   // deg²: a reading of this variance tells nothing
	neverSo     = 1e-10 // a reading less likely than this contradicts the rest …
	neverSigmas = 6.4   // … and one so far off
)

// soften says how much the point's angle is off because its time scatters by
// scatterS at that speed. A bound point's time scatters by boundScatterS at least:
// lines quite in step with the crank would pretend to know it exactly. A point that
// is not bound is then what its bounds say.
func (q *point) soften(degPerS, scatterS float64) {
	if q.bound {
		scatterS = math.Max(scatterS, boundScatterS)
	}
	q.soft = math.Sqrt(leastSoft*leastSoft + degPerS*degPerS*scatterS*scatterS)
	if !q.bound {
		q.plain()
	}
}

// plain gives the point mean and variance by its bounds alone.
func (q *point) plain() {
	half := (q.hi - q.lo) / 2
	q.deg, q.variance = (q.lo+q.hi)/2, half*half/3+q.soft*q.soft
}

// match gives the point mean and variance where the rest says deg ± √variance,
// and returns how likely the reading was.
func (q *point) match(deg, variance float64) (likely float64) {
	all := variance + q.soft*q.soft
	s := math.Sqrt(all)
	a, b := (q.lo-deg)/s, (q.hi-deg)/s
	likely = (math.Erf(b/math.Sqrt2) - math.Erf(a/math.Sqrt2)) / 2
	if !(likely > neverSo) {
		q.plain()
		return neverSo
	}
	da, db := density(a), density(b)
	g := (da - db) / likely / s
	h := (a*da-b*db)/likely/all - g*g
	if !(h < -1/nothingTold) {
		q.deg, q.variance = deg, nothingTold
		return likely
	}
	q.deg, q.variance = deg-g/h, math.Max(-1/h-variance, q.soft*q.soft)
	return likely
}

func density(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

// newShare is how much of its say a point changes at once.
const newShare = 0.6

// rematch is match where the point has had its say already: what it said is
// taken out of what is known first, and a part of it stays. Where next to
// nothing else is known, it keeps its say.
func (q *point) rematch(known motion) {
	rest := 1/known.pdd - 1/q.variance
	if !(rest > 1e-3/known.pdd) {
		return
	}
	was, wasDeg := 1/q.variance, q.deg/q.variance
	q.match((known.deg/known.pdd-wasDeg)/rest, 1/rest)
	now := (1-newShare)*was + newShare/q.variance
	q.deg, q.variance = ((1-newShare)*wasDeg+newShare*q.deg/q.variance)/now, 1/now
}

// Bounds of the restlessness that is looked for, deg²/s³ (a motor; a hand that
// jerks), and of the scatter of the encoder's times, s.
const (
	restlessLeast, restlessMost = 1e-4, 1e3
	scatterLeastS, scatterMostS = 3e-5, 1e-2
	boundScatterS               = 3e-4
)

// learnMotion finds by maximum likelihood how restless the hand is where it
// turns calmly, and by how much the times of the readings scatter. Enough of
// the points in the middle tell.
func learnMotion(points []point, calm func(t float64) bool, guess float64) (restless, scatterS float64) {
	const enough = 300
	if n := len(points); n > enough {
		points = points[(n-enough)/2 : (n+enough)/2]
	}
	best := math.Inf(1)
	try := func(r, s float64) {
		if r < restlessLeast || r > restlessMost || s < scatterLeastS || s > scatterMostS {
			return
		}
		if cost := unlikely(points, calm, r, s); cost < best {
			best, restless, scatterS = cost, r, s
		}
	}
	for f := 1e-3; f < 20; f *= 10 {
		try(guess*f, boundScatterS)
	}
	least := scatterLeastS
	if points[len(points)/2].bound { // it makes no difference below
		least = boundScatterS
	}
	for s := least; s <= scatterMostS; s *= 3 {
		try(restless, s)
	}
	for f := math.Sqrt(10); f > 1.5; f = math.Sqrt(f) {
		r := restless
		try(r*f, scatterS)
		try(r/f, scatterS)
	}
	return restless, scatterS
}

// unlikely is −ln likelihood of the readings in calm motion, but for the first
// few after a stop: the speed is not known yet.
func unlikely(points []point, calm func(t float64) bool, restless, scatterS float64) (cost float64) {
	const first = 3
	m := unknownMotion(points[0].deg)
	settled := 0
	for i := range points {
		q := points[i]
		if i > 0 {
			r := restless
			if !calm(q.t) {
				r, settled = math.Max(restless, startingHand), 0
			}
			m = m.after(q.t-points[i-1].t, r)
		}
		q.soften(m.vel, scatterS)
		var more float64
		if q.bound {
			more = -math.Log(q.match(m.deg, m.pdd))
			m.see(q.deg, q.variance)
		} else {
			off2, expected := m.see(q.deg, q.variance)
			more = (off2/expected + math.Log(expected)) / 2
		}
		if settled++; settled > first {
			cost += more
		}
	}
	return cost
}
