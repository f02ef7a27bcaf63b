package fit

import (
	"math"
	"sort"
)

// Neighbouring readings stand on the same smoothed angle and share its error:
// each says less of the top than it would alone. share sees readings and the encoder's
// points together, in order of time, through one filter for the track's error. Every
// reading is freed of what those before it foretold; what is left is white,
// and so the sums over it are those of least squares with the full covariance.

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

// share makes a pass's blocks with the errors that neighbouring readings share
// at the current parameters and weights, stretch by stretch: nothing is
// remembered beyond a stop of the hand.
func (m *model) share(p *pass) {
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
		alone += p.shareStretch(&v, k, first, end)
		together += s.seg[k].a[colAngle][colAngle]
		first = end
	}
	p.vif = math.Max(1, alone/together)
}

// shareStretch is share for one stretch, readings first to end. It returns what
// the readings would tell of the top if each stood alone.
func (p *pass) shareStretch(v *view, k, first, end int) (alone float64) {
	s := &p.sums
	var l lean
	var d columns
	know, last := unknownMotion(0), math.NaN()
	if p.readOff { // each angle's error is its own
		know = motion{}
	}
	points := p.track.points[:0]
	on := func(t float64) { // the track's error, carried on to t
		if !math.IsNaN(last) {
			know = know.after(t-last, p.track.restless[p.track.node((t+last)/2)])
			l.after(t - last)
		}
		last = t
	}
	listen := func(until float64) {
		for len(points) > 0 && points[0].t <= until {
			q := points[0]
			points = points[1:]
			on(q.t)
			theta, _, _ := p.track.at(q.t)
			res := q.deg - theta
			d = columns{}
			w := 1 / l.see(&know, 1, q.variance, &res, &d)
			s.seg[k].add(w, res, &d)
			s.steps[k].add(w, 0, &d)
		}
	}
	for i := first; i < end; i++ {
		pred, x, slope, vel := v.at(p, i, &d)
		res := p.y[i] - pred - p.seg[k].val
		p.x[i], p.slope[i], p.vel[i], p.res[i] = x, slope, vel, res
		if p.w[i] = 0; !p.use[i] || p.robust[i] < 1e-6 {
			continue
		}
		t := p.t[i] - v.tau
		if math.IsNaN(last) {
			points = p.track.between(t-leadS, math.Inf(1))
		}
		keep := d
		listen(t)
		on(t)
		d = keep
		blur, shared := p.track.blur[p.track.node(t)], 0.0
		if !p.readOff {
			blur, shared = 0, blur
		}
		own := p.noise.variance(slope, vel, blur) / p.robust[i]
		alone += slope * slope / (own + slope*slope*shared)
		w := 1 / l.see(&know, slope, own, &res, &d)
		p.w[i] = w
		s.seg[k].add(w, res, &d)
		s.steps[k].add(w*(1-w*p.noise.displayMM*p.noise.displayMM), 0, &d)
		if !p.readOff {
			p.surprise = append(p.surprise, w*res*d[colAngle])
		}
	}
	listen(math.Min(last+leadS, p.segs[k].to)) // NaN: to nothing
	return alone
}

// between are the points from one time to another.
func (k *track) between(from, to float64) []point {
	after := func(t float64) int { return sort.Search(len(k.points), func(i int) bool { return k.points[i].t >= t }) }
	return k.points[after(from):after(to)]
}
