package fit

import (
	"math"
	"slices"
	"sort"
)

// track is one encoder stream made smooth over one sweep: angle and speed at
// any time within it, and how surely the angle is known. Nodes are joined by
// cubic Hermite pieces.
type track struct {
	t0, dt     float64
	theta, vel []float64 // degrees, degrees per second
	blur       []float64 // variance of theta, deg²
	restless   []float64 // of the hand about each node, deg²/s³
	points     []point   // what it rests on
	memoryS    float64   // so long an error of theta lasts
}

const (
	trackNodeS   = 0.020 // node spacing
	trackBesideS = 0.8   // s: so far beside the sweep the stream is looked at
	trackMostS   = 3600  // a sweep takes minutes; a clock set between two readings makes years
	trackPoints  = 7     // fewer readings are no stream
	startingHand = 200.0 // deg²/s³: a hand that starts or stops within a few tenths of a second
	jolt         = 1e7   // deg²/s³: what cannot be is a jolt, or counts are lost
	calmShare    = 0.4   // of the usual speed: below, the hand may be starting or stopping …
	calmAwayS    = 0.2   // … so long before and after
	holdS        = 0.1   // s: a count that lasts longer is looked at so often
	leastSoft    = 1e-5  // degrees: no encoder is better
	boundSteps   = 8     // a count that is passed faster, in steps a line, is no bound worth weighing
	guessShare   = 0.3   // a hand's speed wanders by this share within a second, before more is known
	mostRounds   = 6     // of weighing bound points against each other
	stillShare   = 0.12  // … until the nodes move by no more than this share of their doubt
	// Where the crank turns nearly in step with the encoder's lines, reading after
	// reading says the same of it: the points' variances are so many times too small.
	alike = 3.0
)

// newTrack smooths the stream between from and to (s), as far as it goes. step
// is the encoder's step in degrees. ok is false where the stream says next to nothing
// of that time, or the time is longer than any sweep. room serves again for the next one.
func newTrack(s *Series, step, from, to float64, room *[]moment) (k *track, ok bool) {
	lo := sort.SearchFloat64s(s.T, from-trackBesideS)
	hi := sort.SearchFloat64s(s.T, to+trackBesideS)
	t, v := s.T[lo:hi], s.V[lo:hi]
	if len(t) < trackPoints {
		return k, false
	}
	from, to = math.Max(from, t[0]), math.Min(to, t[len(t)-1])
	if !(to-from >= trackNodeS && to-from <= trackMostS) {
		return k, false
	}
	n := int((to-from)/trackNodeS) + 2
	k = &track{t0: from, dt: (to - from) / float64(n-1), theta: make([]float64, n), vel: make([]float64, n), blur: make([]float64, n),
		restless: make([]float64, n), points: pointsOf(t, v, step)}
	usual, calm := k.hand()
	guess := math.Max(math.Pow(guessShare*usual, 2), restlessLeast)
	restless, scatterS := learnMotion(k.points, func(t float64) bool { return calm[k.node(t)] }, guess)
	for i := range calm {
		k.restless[i] = restless
		if !calm[i] {
			k.restless[i] = math.Max(restless, startingHand)
		}
	}
	for i := range k.points {
		q := &k.points[i]
		q.soften(k.vel[k.node(q.t)], scatterS)
	}
	*room = k.moments((*room)[:0])
	k.smooth(*room)
	k.widen()
	return k, true
}

// pointsOf are the readings that tell most of a counter's angle: those just
// before and just after a change of the count and, where it stands for long,
// some on the way. Each says that the angle lies within its step.
func pointsOf(t, v []float64, step float64) (out []point) {
	half := math.Max(step/2, leastSoft)
	last := math.Inf(-1)
	out = make([]point, 0, len(t))
	for i := range t {
		came, goes := math.Inf(1), math.Inf(1)
		if i > 0 {
			came = math.Abs(v[i] - v[i-1])
		}
		if i+1 < len(t) {
			goes = math.Abs(v[i+1] - v[i])
		}
		if math.Max(came, goes) > 1e-9 || t[i]-last > holdS {
			out = append(out, point{t: t[i], lo: v[i] - half, hi: v[i] + half, deg: v[i], bound: math.Min(came, goes) < boundSteps*step})
			last = t[i]
		}
	}
	return out
}

// node is the node next to a time.
func (k *track) node(t float64) int {
	return min(max(int(math.Round((t-k.t0)/k.dt)), 0), len(k.theta)-1)
}

// hand takes a first look at the speeds (into vel) and says how fast the hand
// usually turns (deg/s) and about which nodes it turns calmly, neither starting
// nor stopping.
func (k *track) hand() (usual float64, calm []bool) {
	const sideS = 0.1
	n := len(k.theta)
	speed, turning := k.vel, make([]float64, 0, n)
	lo, hi := 0, 0
	for i := range n {
		at := k.t0 + float64(i)*k.dt
		for lo+1 < len(k.points) && k.points[lo+1].t < at-sideS {
			lo++
		}
		for hi+1 < len(k.points) && k.points[hi].t < at+sideS {
			hi++
		}
		a, b := k.points[lo], k.points[hi]
		speed[i] = math.Abs(b.deg-a.deg) / math.Max(b.t-a.t, 2*sideS)
		if speed[i] > standingDegS {
			turning = append(turning, speed[i])
		}
	}
	usual = median(turning)
	calm = make([]bool, n)
	for i := range calm {
		calm[i] = true
	}
	away := int(calmAwayS / k.dt)
	for i, v := range speed {
		if !(v > calmShare*usual) {
			for near := max(0, i-away); near <= min(n-1, i+away); near++ {
				calm[near] = false
			}
		}
	}
	return usual, calm
}

// moment is a time at which the track has a node or a point.
type moment struct {
	t              float64
	node, point    int // none: it has none
	way            int // the node whose restlessness rules the way here
	foreseen, then motion
}

// moments are nodes and points in order of time.
func (k *track) moments(all []moment) []moment {
	all = slices.Grow(all, len(k.points)+len(k.theta))
	last := k.points[0].t
	for i, p := 0, 0; i < len(k.theta) || p < len(k.points); {
		m := moment{t: k.t0 + float64(i)*k.dt, node: i, point: none}
		if i == len(k.theta) || p < len(k.points) && k.points[p].t <= m.t {
			m = moment{t: k.points[p].t, node: none, point: p}
			p++
		} else {
			i++
		}
		m.way = k.node((m.t + last) / 2)
		last = m.t
		all = append(all, m)
	}
	return all
}

// smooth fills the nodes: forward over all moments, then back, until the
// points' bounds have been weighed against all the others.
func (k *track) smooth(all []moment) {
	for round := range mostRounds {
		m := unknownMotion(k.points[0].deg)
		last := all[0].t
		for i := range all {
			at := &all[i]
			before := m
			m = m.after(at.t-last, k.restless[at.way])
			if at.point != none && round == 0 && k.contradicts(&k.points[at.point], m) {
				k.restless[at.way] = jolt
				m = before.after(at.t-last, jolt)
				k.contradicts(&k.points[at.point], m)
			}
			last, at.foreseen = at.t, m
			if at.point != none {
				m.see(k.points[at.point].deg, k.points[at.point].variance)
			}
			at.then = m
		}
		if k.back(all) < stillShare {
			break
		}
	}
}

// contradicts matches a point with what is foreseen and says whether it cannot
// be so.
func (k *track) contradicts(q *point, m motion) bool {
	if q.bound {
		return q.match(m.deg, m.pdd) == neverSo
	}
	off := q.deg - m.deg
	return off*off > neverSigmas*neverSigmas*(m.pdd+q.variance)
}

// back goes back over all moments, fills the nodes and matches the bound points
// anew. It returns how far the nodes moved (rms), in units of their doubt; 0
// where no point is bound.
func (k *track) back(all []moment) (moved float64) {
	known := all[len(all)-1].then
	bound := false
	for i := len(all) - 1; i >= 0; i-- {
		at := &all[i]
		if i < len(all)-1 {
			next := &all[i+1]
			known = at.then.smoothed(next.t-at.t, next.foreseen, known)
		}
		if n := at.node; n != none {
			off := k.theta[n] - known.deg
			moved += off * off / known.pdd
			k.theta[n], k.vel[n], k.blur[n] = known.deg, known.vel, known.pdd
		} else if q := &k.points[at.point]; q.bound {
			bound = true
			q.rematch(known)
		}
	}
	if !bound {
		return 0
	}
	return math.Sqrt(moved / float64(len(k.theta)))
}

// widen makes up for what readings in step with the crank repeat, and notes for
// how long an error of the angle lasts.
func (k *track) widen() {
	var sum float64
	wide := 1.0
	for i := range k.points {
		if q := &k.points[i]; q.bound {
			q.variance *= alike
			wide = alike
		}
		sum += 1 / k.points[i].variance
	}
	for i := range k.blur {
		k.blur[i] *= wide
	}
	length := k.points[len(k.points)-1].t - k.points[0].t
	k.memoryS = math.Pow(length/sum/k.restless[len(k.restless)/2], 0.25)
}

// at returns angle (deg) and speed (deg/s) at time t, held beyond the track's
// ends, and whether t lies within it.
func (k *track) at(t float64) (theta, vel float64, ok bool) {
	f := (t - k.t0) / k.dt
	i := int(math.Floor(f))
	ok = f >= 0 && f < float64(len(k.theta)-1)
	i = min(max(i, 0), len(k.theta)-2)
	u := math.Min(math.Max(f-float64(i), 0), 1)
	a, b, va, vb := k.theta[i], k.theta[i+1], k.vel[i]*k.dt, k.vel[i+1]*k.dt
	c2, c3 := 3*(b-a)-2*va-vb, 2*(a-b)+va+vb
	return a + u*(va+u*(c2+u*c3)), (va + u*(2*c2+3*u*c3)) / k.dt, ok
}

// stepOf learns a display's or counter's step: the smallest change between
// neighbouring values that is not rounding of the file.
func stepOf(v []float64) float64 {
	step := math.Inf(1)
	for i := 1; i < len(v); i++ {
		if d := math.Abs(v[i] - v[i-1]); d > 1e-6 && d < step {
			step = d
		}
	}
	if math.IsInf(step, 1) {
		return 0
	}
	return step
}
