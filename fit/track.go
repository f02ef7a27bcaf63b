package fit

import (
	"math"
	"sort"
)

// track is one encoder stream made smooth over one sweep: angle and speed at
// any time within it. Counts are steps; a local quadratic over a short window
// (tricube weights) reads between them without bending to the hand's slow
// speed changes. Nodes are joined by cubic Hermite pieces.
type track struct {
	t0, dt     float64
	theta, vel []float64 // degrees, degrees per second
	half       float64   // widest half-window used, s: nothing nearer than this to an end is trusted
}

const (
	trackNodeS    = 0.020 // node spacing
	trackHalfMinS = 0.080 // half-window: a hand's speed changes little in it
	trackHalfMaxS = 0.400
	trackMostS    = 3600 // a sweep takes minutes; a clock set between two readings makes years
	trackPoints   = 7    // a window holds at least so many readings …
	trackSteps    = 2.5  // … and so many encoder steps, where the crank turns at all
)

// newTrack smooths the stream between from and to (s). step is the encoder's
// step in degrees. ok is false where the stream does not cover the time, or the time
// is longer than any sweep.
func newTrack(s *Series, step, from, to float64) (k track, ok bool) {
	lo := sort.SearchFloat64s(s.T, from-2*trackHalfMaxS)
	hi := sort.SearchFloat64s(s.T, to+2*trackHalfMaxS)
	raw, rawV := s.T[lo:hi], s.V[lo:hi]
	if len(raw) < trackPoints {
		return k, false
	}
	from, to = math.Max(from, raw[0]), math.Min(to, raw[len(raw)-1])
	n := int(math.Min(to-from, trackMostS)/trackNodeS) + 2
	if n < 3 || to-from > trackMostS {
		return k, false
	}
	t, v := edges(raw, rawV, step)
	k = track{t0: from, dt: (to - from) / float64(n-1), theta: make([]float64, n), vel: make([]float64, n)}
	first, near := 0, 0
	for i := range n {
		at := from + float64(i)*k.dt
		for near < len(t) && t[near] < at {
			near++
		}
		for first < len(raw)-2 && raw[first+1] < at {
			first++
		}
		half, enough := halfWindow(t, v, near, step, at)
		k.half = math.Max(k.half, half)
		if enough {
			k.theta[i], k.vel[i] = localQuadratic(t, v, near, at, half)
		} else { // the crank stands
			f := math.Min(math.Max((at-raw[first])/math.Max(raw[first+1]-raw[first], 1e-9), 0), 1)
			k.theta[i] = rawV[first] + f*(rawV[first+1]-rawV[first])
		}
	}
	return k, true
}

// edges are the points that tell most of a counter's angle: where one step
// comes after another, the middle of the change, whose angle is exact and whose
// time is known to half the interval; where more steps come at once, the
// readings themselves.
func edges(t, v []float64, step float64) (et, ev []float64) {
	et, ev = make([]float64, 0, len(t)), make([]float64, 0, len(t))
	whole := false // the reading before is in already
	for i := 1; i < len(t); i++ {
		switch d := math.Abs(v[i] - v[i-1]); {
		case d < 1e-9:
			whole = false
		case d < 1.5*step:
			et, ev = append(et, (t[i-1]+t[i])/2), append(ev, (v[i-1]+v[i])/2)
			whole = false
		default:
			if !whole {
				et, ev = append(et, t[i-1]), append(ev, v[i-1])
			}
			et, ev, whole = append(et, t[i]), append(ev, v[i]), true
		}
	}
	return et, ev
}

// halfWindow chooses the half-window at a time: wide enough for trackPoints
// points and trackSteps encoder steps, within the limits. enough: there are
// points to fit. near is the first point not before the time.
func halfWindow(t, v []float64, near int, step, at float64) (half float64, enough bool) {
	lo, hi := max(0, near-(trackPoints+1)/2), min(len(t)-1, near+(trackPoints+1)/2)
	if hi-lo < 3 || at < t[lo]-trackHalfMaxS || at > t[hi]+trackHalfMaxS {
		return trackHalfMinS, false
	}
	half = math.Max(trackHalfMinS, (t[hi]-t[lo])/2)
	if speed := math.Abs(v[hi]-v[lo]) / math.Max(t[hi]-t[lo], 1e-9); speed > 0 {
		half = math.Max(half, trackSteps*step/speed)
	}
	// Readings far apart need a window that holds some, a standing crank none.
	sparse := 0.0
	for i := max(lo, 1); i <= hi; i++ {
		if math.Abs(v[i]-v[i-1]) > 1.5*step {
			sparse = math.Max(sparse, t[i]-t[i-1])
		}
	}
	half = math.Min(half, math.Max(trackHalfMaxS, 2.5*sparse))
	n := 0
	for i := lo; i <= hi; i++ {
		if math.Abs(t[i]-at) < half {
			n++
		}
	}
	return half, n >= 4
}

// localQuadratic fits v ≈ c0 + c1·u + c2·u², u = t − at, by least squares with
// tricube weights over |u| < half and returns c0 and c1; near is the first
// point not before at. Where the readings
// cannot carry a quadratic it falls back to a line, then to the nearest value.
func localQuadratic(t, v []float64, near int, at, half float64) (c0, c1 float64) {
	lo, hi := near, near
	for lo > 0 && t[lo-1] > at-half {
		lo--
	}
	for hi < len(t) && t[hi] < at+half {
		hi++
	}
	var s [5]float64
	var b [3]float64
	base := v[min(lo, len(v)-1)]
	for i := lo; i < hi; i++ {
		u := (t[i] - at) / half
		a := 1 - math.Abs(u*u*u)
		w, y := a*a*a, v[i]-base
		p := w
		for k := range s {
			s[k] += p
			if k < 3 {
				b[k] += p * y
			}
			p *= u
		}
	}
	det := s[0]*(s[2]*s[4]-s[3]*s[3]) - s[1]*(s[1]*s[4]-s[2]*s[3]) + s[2]*(s[1]*s[3]-s[2]*s[2])
	if scale := s[0] * s[2] * s[4]; hi-lo >= 4 && det > 1e-6*scale {
		c0 = (b[0]*(s[2]*s[4]-s[3]*s[3]) - s[1]*(b[1]*s[4]-b[2]*s[3]) + s[2]*(b[1]*s[3]-b[2]*s[2])) / det
		c1 = (s[0]*(b[1]*s[4]-b[2]*s[3]) - b[0]*(s[1]*s[4]-s[2]*s[3]) + s[2]*(s[1]*b[2]-s[2]*b[1])) / det
		return base + c0, c1 / half
	}
	if d := s[0]*s[2] - s[1]*s[1]; hi-lo >= 2 && d > 1e-9*s[0]*s[2] {
		return base + (s[2]*b[0]-s[1]*b[1])/d, (s[0]*b[1] - s[1]*b[0]) / d / half
	}
	i := near
	if i == len(t) || i > 0 && at-t[i-1] < t[i]-at {
		i--
	}
	return v[i], 0
}

// at returns angle (deg) and speed (deg/s) at time t, and whether t lies
// inside the stream, away from its ends.
func (k track) at(t float64) (theta, vel float64, ok bool) {
	f := (t - k.t0) / k.dt
	i := int(math.Floor(f))
	ok = f >= 0 && i < len(k.theta)-1
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
