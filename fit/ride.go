package fit

import (
	"cmp"
	"math"
	"slices"
)

// ride is the passes that were made at once, one for each indicator, over the same
// stretch of the encoder: they stand on one track and share its error, which
// drops out where their tops are compared. Most passes ride alone.
type ride struct {
	passes []*pass
	sums   sums
}

// ridersMost at once, and no bench has more indicators; the cost grows with their square.
const ridersMost = 8

// rides puts the passes that share a track together, unless a knock at one of them
// makes its stretches others: then it counts alone, which doubts more than need be.
func rides(passes []*pass) (out []*ride) {
	for _, p := range passes {
		k := slices.IndexFunc(out, func(r *ride) bool {
			q := r.passes[0]
			return q.track == p.track && q.mountNo == p.mountNo && len(r.passes) < ridersMost && slices.EqualFunc(q.segs, p.segs, segment.sameSpan)
		})
		if k < 0 {
			k = len(out)
			out = append(out, &ride{})
		}
		p.ride, p.place = out[k], len(out[k].passes)
		out[k].passes = append(out[k].passes, p)
	}
	return out
}

// with says that a cylinder was swept at once with this pass.
func (p *pass) with(cylinder int) bool {
	return slices.ContainsFunc(p.ride.passes, func(q *pass) bool { return q.src.Cylinder == cylinder })
}

func (g segment) sameSpan(o segment) bool { return g.from == o.from && g.to == o.to }

// shareTracks gives passes that were made at once the same way, over one encoder
// stream in one mount, one track for all of them.
func (j *job) shareTracks() {
	type stretch struct {
		stream *Series
		mount  int
		dir    float64
	}
	type group struct {
		passes []*pass
		to     float64
	}
	open := map[stretch]*group{}
	var all []*group
	byTime := slices.SortedStableFunc(slices.Values(j.passes), func(p, q *pass) int { return cmp.Compare(p.begins(), q.begins()) })
	for _, p := range byTime {
		if p.readOff {
			continue
		}
		key := stretch{p.src.Encoder, p.mountNo, p.dir}
		if g := open[key]; g == nil || p.begins() >= g.to {
			open[key] = &group{to: p.ends()}
			all = append(all, open[key])
		}
		g := open[key]
		g.passes, g.to = append(g.passes, p), math.Max(g.to, p.ends())
	}
	for _, g := range all {
		j.shareTrack(g.passes)
	}
}

// begins and ends are of a pass's readings, in encoder time.
func (p *pass) begins() float64 { return p.t[0] - p.lag }
func (p *pass) ends() float64   { return p.t[len(p.t)-1] - p.lag }

// shareTrack is shareTracks for passes made at once. Where they make no track
// together, each keeps its own.
func (j *job) shareTrack(passes []*pass) {
	if len(passes) < 2 {
		return
	}
	from, to := math.Inf(1), math.Inf(-1)
	for _, p := range passes {
		from, to = math.Min(from, p.track.t0), math.Max(to, p.track.end())
	}
	enc := passes[0].src.Encoder
	k, ok := newTrack(j.stream(enc), j.encoderStep(enc), from, to, &j.moments)
	if !ok {
		return
	}
	for _, p := range passes {
		p.track = k
		p.split()
		p.choose(p.lag, j.lashBound())
	}
}

// end is the time of a track's last node.
func (k *track) end() float64 { return k.t0 + k.dt*float64(len(k.theta)-1) }

// sums are a ride's systems, one for each stretch between re-grips, and what is left
// of them when the offsets that belong to a pass alone (they are linear) have
// been projected out.
type sums struct {
	seg, steps  []system // steps: the part of seg whose scatter is the angle's
	segOut      [][]eliminated
	shiftOut    []eliminated
	whole, room system
	cost        float64
	pulls       [][][]columns // what the corrections' lanes pull at, by stretch, lane and pass
	thin        float64       // what correlate took of every sum
}

// empty makes room for so many passes and stretches, with nothing in it.
func (s *sums) empty(passes, stretches int) {
	s.cost = 0
	if len(s.seg) != stretches || len(s.whole.own) != passes {
		s.seg, s.steps, s.segOut = make([]system, stretches), make([]system, stretches), make([][]eliminated, stretches)
		for i := range stretches {
			s.seg[i], s.steps[i], s.segOut[i] = newSystem(passes), newSystem(passes), make([]eliminated, passes)
		}
		s.whole, s.room, s.shiftOut = newSystem(passes), newSystem(passes), make([]eliminated, passes)
		return
	}
	for i := range s.seg {
		s.seg[i].empty()
		s.steps[i].empty()
	}
}

// project reduces the stretches' systems to the whole.
func (s *sums) project(passes []*pass) {
	s.whole.empty()
	for i := range s.seg {
		s.room.empty()
		s.room.join(&s.seg[i])
		for n, p := range passes {
			s.room.project(n, p.seg[i], &s.segOut[i][n])
		}
		s.whole.join(&s.room)
	}
	for n, p := range passes {
		s.whole.project(n, p.shift, &s.shiftOut[n])
	}
}

// spread turns a vector over the parameters into one over the passes' columns.
func (r *ride) spread(v []float64) []columns {
	d := make([]columns, len(r.passes))
	for n, p := range r.passes {
		d[n] = p.spread(v)
	}
	return d
}

// addTo adds what the ride tells to the parameters' normal matrix (rows upon
// rows, upper triangle) and gradient.
func (r *ride) addTo(a, b []float64) {
	add := func(i, k int, v float64) { a[min(i, k)*len(b)+max(i, k)] += v }
	for n, p := range r.passes {
		own := &r.sums.whole.own[n]
		for i, u := range p.terms {
			b[u.param] += u.coef * own.b[u.col]
			for _, v := range p.terms[i:] {
				add(u.param, v.param, u.coef*v.coef*own.a[min(u.col, v.col)][max(u.col, v.col)])
			}
		}
		for q, other := range r.passes[:n] {
			between := &r.sums.whole.pairs[pair(q, n)]
			for _, u := range other.terms {
				for _, v := range p.terms {
					both := u.coef * v.coef * between[u.col][v.col]
					if u.param == v.param { // it stands on both sides of the diagonal
						both *= 2
					}
					add(u.param, v.param, both)
				}
			}
		}
	}
}

// move sets the passes' private offsets to what remember kept plus what follows
// from a step of the parameters; nil goes back.
func (r *ride) move(step []float64) {
	if step == nil {
		for _, p := range r.passes {
			p.shift.val = p.shift.old
			for i := range p.seg {
				p.seg[i].val = p.seg[i].old
			}
		}
		return
	}
	d := r.spread(step)
	follow(r.sums.shiftOut, d, pulled, func(n int, own float64) { r.passes[n].shift.val = r.passes[n].shift.old + own })
	for i := range r.sums.segOut {
		follow(r.sums.segOut[i], slices.Clone(d), pulled, func(n int, own float64) { r.passes[n].seg[i].val = r.passes[n].seg[i].old + own })
	}
}
