package fit

import (
	"math"
	"sort"
)

// Neighbouring readings stand on the same smoothed angle and share its error:
// each says less of the top than it would alone. Passes made at once share it too.
// whiten sees their readings and the encoder's points together, in order of time,
// through one filter for the track's error. Every reading is freed of what those before it foretold; what is left is
// white, and so the sums over it are those of least squares with the full covariance.

// lean is how angle and speed of the track's error lean on a pass's unknowns.
type lean struct{ deg, vel columns }

// after carries the lean dt seconds on.
func (l *lean) after(dt float64) {
	for i := range l.deg {
		l.deg[i] += dt * l.vel[i]
	}
}

// see frees a reading's derivatives of what the error leans on, and lets the error
// lean on them by its gains.
func (l *lean) see(slope, kd, kv float64, d *columns) {
	for i := range d {
		d[i] += slope * l.deg[i]
		l.deg[i] -= kd * d[i]
		l.vel[i] -= kv * d[i]
	}
}

// leadS is how long before a stretch's first reading and after its last one the
// encoder is listened to.
const leadS = 0.5

// reader is a pass whose readings are being whitened: i is the next one.
type reader struct {
	*pass
	v      view
	i, end int
}

// at is when the encoder stood where the next reading was taken.
func (r *reader) at() float64 { return r.t[r.i] - r.v.tau }

// whiten makes a ride's systems with the errors that neighbouring readings share
// at the current parameters, stretch by stretch: nothing is remembered beyond a
// stop of the hand.
func (m *model) whiten(r *ride) {
	one := len(r.passes) == 1
	readers := make([]reader, len(r.passes))
	for n, p := range r.passes {
		if !one {
			m.whiten(&ride{passes: []*pass{p}}) // how much its readings repeat each other
		}
		readers[n] = reader{pass: p, v: m.viewOf(p)}
		p.surprise, p.heard = p.surprise[:0], p.heard[:0]
	}
	s := &r.sums
	s.empty(len(r.passes), len(r.passes[0].segs))
	s.pulls = s.pulls[:0]
	var alone, together float64
	for k, g := range r.passes[0].segs {
		for n := range readers {
			for c := &readers[n]; c.end < len(c.t) && c.t[c.end]-c.v.tau < g.to; {
				c.end++
			}
		}
		s.pulls = append(s.pulls, makePulls(readers))
		alone += s.whitenStretch(readers, k, m.hear)
		together += s.seg[k].own[0].a[colAngle][colAngle]
	}
	if one {
		r.passes[0].vif = math.Max(1, alone/together)
	}
}

// whitenStretch is whiten for one stretch, up to each reader's end. It returns
// what the readings would tell of the top if each stood alone.
func (s *sums) whitenStretch(readers []reader, k int, hear bool) (alone float64) {
	first := readers[0].pass
	f := trackError{track: first.track, known: unknownMotion(0), at: math.NaN(), seg: &s.seg[k], steps: &s.steps[k],
		lean: make([]lean, len(readers)), d: make([]columns, len(readers)), hear: hear,
		pull: s.pulls[k], lanes: make([]laneError, len(s.pulls[k]))}
	if first.readOff { // each angle's error is its own
		f.known = motion{}
	}
	for n := next(readers); n != none; n = next(readers) {
		p, i, t := &readers[n], readers[n].i, readers[n].at()
		p.i++
		counts := p.use[i] && p.robust[i] >= 1e-6
		if counts {
			f.reach(t)
		}
		clear(f.d)
		res := p.look(&p.v, i, k, &f.d[n])
		p.w[i] = 0
		if counts {
			alone += f.read(p.pass, n, i, res)
		}
	}
	f.listen(math.Min(f.at+leadS, first.segs[k].to)) // NaN: to nothing
	return alone
}

// next is the reader whose turn it is by time, none where all have come to their ends.
func next(readers []reader) (turn int) {
	turn = none
	for n := range readers {
		if r := &readers[n]; r.i < r.end && (turn == none || r.at() < readers[turn].at()) {
			turn = n
		}
	}
	return turn
}

// trackError is what is known of a track's error at a time (s; NaN: nothing was
// seen yet), how that leans on the unknowns of each pass, the encoder's points
// still to be heard, and the sums over what readings and points say.
type trackError struct {
	track      *track
	known      motion
	lean       []lean
	at         float64
	points     []point
	seg, steps *system
	d          []columns // one reading's derivatives, by pass
	lanes      []laneError
	pull       [][]columns // what the lanes pull at, by lane and pass
	hear       bool
}

// reach hears the encoder's points until a reading at t and carries the error on to there.
func (f *trackError) reach(t float64) {
	if math.IsNaN(f.at) {
		f.points = f.track.between(t-leadS, math.Inf(1))
	}
	f.listen(t)
	f.on(t)
}

// read takes in reading i of the n-th pass, with its derivatives in d. It returns
// what it would tell of the top if it stood alone.
func (f *trackError) read(p *pass, n, i int, res float64) (alone float64) {
	slope := p.slope[i]
	own, shared := 0.0, f.track.blur[f.track.node(f.at)]
	if p.readOff {
		own, shared = shared, 0
	}
	own = p.noise.variance(slope, p.vel[i], own) / p.robust[i]
	foretold := slope * slope * f.known.pdd / alike // at least: what own scatter is taken for common is doubted too little
	f.bend(p, i)
	w := 1 / f.see(slope, own, &res)
	if f.hear {
		s2 := slope * slope
		p.heard = append(p.heard, seen{res * res, p.robust[i], s2, s2 * p.vel[i] * p.vel[i], foretold, p.noise})
	}
	p.w[i] = w
	f.seg.add(w, res, f.d)
	f.draw(w)
	f.steps.add(w*(1-w*p.noise.displayMM*p.noise.displayMM), 0, f.d)
	if !p.readOff {
		p.surprise = append(p.surprise, w*res*f.d[n][colAngle])
	}
	return slope * slope / (own + slope*slope*shared)
}

// see takes in a reading of the track's error: slope × error + noise of that
// variance, given a residual and, in d, its derivatives, which become those of the
// surprise. It returns the surprise's variance.
func (f *trackError) see(slope, variance float64, res *float64) float64 {
	m := &f.known
	expected := slope*slope*m.pdd + variance
	kd, kv := slope*m.pdd/expected, slope*m.pdv/expected
	*res -= slope * m.deg
	m.deg += kd * *res
	m.vel += kv * *res
	for n := range f.lean {
		f.lean[n].see(slope, kd, kv, &f.d[n])
	}
	for l := range f.lanes {
		f.lanes[l].see(slope, kd, kv)
	}
	m.pvv -= kv * slope * m.pdv
	m.pdv *= 1 - kd*slope
	m.pdd *= 1 - kd*slope
	return expected
}

// on carries the error on to t.
func (f *trackError) on(t float64) {
	if !math.IsNaN(f.at) {
		f.known = f.known.after(t-f.at, f.track.restless[f.track.node((t+f.at)/2)])
		for n := range f.lean {
			f.lean[n].after(t - f.at)
		}
		for l := range f.lanes {
			f.lanes[l].deg += (t - f.at) * f.lanes[l].vel
		}
	}
	f.at = t
}

// listen hears the encoder's points until a time and adds them up.
func (f *trackError) listen(until float64) {
	for ; len(f.points) > 0 && f.points[0].t <= until; f.points = f.points[1:] {
		q := &f.points[0]
		f.on(q.t)
		theta, _, _ := f.track.at(q.t)
		res := q.deg - theta
		clear(f.d)
		f.quiet()
		w := 1 / f.see(1, q.variance, &res)
		f.seg.add(w, res, f.d)
		f.draw(w)
		f.steps.add(w, 0, f.d)
	}
}

// between are the points from one time to another.
func (k *track) between(from, to float64) []point {
	after := func(t float64) int { return sort.Search(len(k.points), func(i int) bool { return k.points[i].t >= t }) }
	return k.points[after(from):after(to)]
}
