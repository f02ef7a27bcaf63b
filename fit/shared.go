package fit

import (
	"math"
	"sort"
)

// Neighbouring readings stand on the same smoothed angle and share its error:
// each says less of the top than it would alone. whiten sees readings and the
// encoder's points together, in order of time, through one filter for the track's
// error. Every reading is freed of what those before it foretold; what is left is
// white, and so the sums over it are those of least squares with the full covariance.

// lean is how angle and speed of the track's error lean on the unknowns:
// by columns, and the value where these stand.
type lean struct {
	deg, vel         columns
	degHere, velHere float64
}

// after carries the lean dt seconds on.
func (l *lean) after(dt float64) {
	l.degHere += dt * l.velHere
	for i := range l.deg {
		l.deg[i] += dt * l.vel[i]
	}
}

// see takes in a reading of the track's error: slope × error + noise of that
// variance, given a residual and its derivatives, which become those of the
// surprise. It returns the surprise's variance.
func (l *lean) see(m *motion, slope, variance float64, res *float64, d *columns) float64 {
	expected := slope*slope*m.pdd + variance
	kd, kv := slope*m.pdd/expected, slope*m.pdv/expected
	*res -= slope * l.degHere
	l.degHere += kd * *res
	l.velHere += kv * *res
	for i := range d {
		d[i] += slope * l.deg[i]
		l.deg[i] -= kd * d[i]
		l.vel[i] -= kv * d[i]
	}
	m.pvv -= kv * slope * m.pdv
	m.pdv *= 1 - kd*slope
	m.pdd *= 1 - kd*slope
	return expected
}

// leadS is how long before a stretch's first reading and after its last one the
// encoder is listened to.
const leadS = 0.5

// whiten makes a pass's blocks with the errors that neighbouring readings share
// at the current parameters, stretch by stretch: nothing is remembered beyond a
// stop of the hand.
func (m *model) whiten(p *pass) {
	v := m.viewOf(p)
	s := &p.sums
	s.seg, s.segOut, s.steps = make([]block, len(p.segs)), make([]eliminated, len(p.segs)), make([]block, len(p.segs))
	p.surprise = p.surprise[:0]
	var alone, together float64
	first := 0
	for k, g := range p.segs {
		end := first
		for end < len(p.t) && p.t[end]-v.tau < g.to {
			end++
		}
		alone += p.whitenStretch(&v, k, first, end)
		together += s.seg[k].a[colAngle][colAngle]
		first = end
	}
	p.vif = math.Max(1, alone/together)
}

// whitenStretch is whiten for one stretch, readings first to end. It returns
// what the readings would tell of the top if each stood alone.
func (p *pass) whitenStretch(v *view, k, first, end int) (alone float64) {
	var d columns
	seg, steps := &p.sums.seg[k], &p.sums.steps[k]
	f := trackError{track: &p.track, known: unknownMotion(0), at: math.NaN()}
	if p.readOff { // each angle's error is its own
		f.known = motion{}
	}
	for i := first; i < end; i++ {
		res := p.look(v, i, k, &d)
		p.w[i] = 0
		if !p.use[i] || p.robust[i] < 1e-6 {
			continue
		}
		t := p.t[i] - v.tau
		if math.IsNaN(f.at) {
			f.points = p.track.between(t-leadS, math.Inf(1))
		}
		f.listen(t, seg, steps)
		f.on(t)
		slope := p.slope[i]
		own, shared := 0.0, p.track.blur[p.track.node(t)]
		if p.readOff {
			own, shared = shared, 0
		}
		own = p.noise.variance(slope, p.vel[i], own) / p.robust[i]
		alone += slope * slope / (own + slope*slope*shared)
		w := 1 / f.lean.see(&f.known, slope, own, &res, &d)
		p.w[i] = w
		seg.add(w, res, &d)
		steps.add(w*(1-w*p.noise.displayMM*p.noise.displayMM), 0, &d)
		if !p.readOff {
			p.surprise = append(p.surprise, w*res*d[colAngle])
		}
	}
	f.listen(math.Min(f.at+leadS, p.segs[k].to), seg, steps) // NaN: to nothing
	return alone
}

// trackError is what is known of a track's error at a time (s; NaN: nothing was
// seen yet), and the encoder's points still to be heard.
type trackError struct {
	track  *track
	known  motion
	lean   lean
	at     float64
	points []point
}

// on carries the error on to t.
func (f *trackError) on(t float64) {
	if !math.IsNaN(f.at) {
		f.known = f.known.after(t-f.at, f.track.restless[f.track.node((t+f.at)/2)])
		f.lean.after(t - f.at)
	}
	f.at = t
}

// listen hears the encoder's points until a time and adds them up.
func (f *trackError) listen(until float64, seg, steps *block) {
	for len(f.points) > 0 && f.points[0].t <= until {
		q := &f.points[0]
		f.points = f.points[1:]
		f.on(q.t)
		theta, _, _ := f.track.at(q.t)
		res := q.deg - theta
		var d columns
		w := 1 / f.lean.see(&f.known, 1, q.variance, &res, &d)
		seg.add(w, res, &d)
		steps.add(w, 0, &d)
	}
}

// between are the points from one time to another.
func (k *track) between(from, to float64) []point {
	after := func(t float64) int { return sort.Search(len(k.points), func(i int) bool { return k.points[i].t >= t }) }
	return k.points[after(from):after(to)]
}
