package fit

import (
	"math"
)

// A knock at the indicator leaves a step in the heights, lost counts one in the
// angles. Both are found in the residuals of the fit: a step is believed where
// it explains far more than chance and is larger than the scatter.
const (
	bumpUMM    = 1.0  // a knocked indicator may stand anywhere
	bumpLeast  = 0.01 // mm: smaller steps are left to the doubt
	bumpScat   = 5.0  // … and in units of the display's scatter
	bumpChi2   = 60.0
	bumpMost   = 3   // steps looked for, one after the other
	bumpSide   = 12  // readings either side that tell its size
	jumpDeg    = 0.5 // an angle that jumps so far between two readings lost counts
	jumpTimes  = 4.0 // … if its neighbours moved so many times less
	jumpClipSD = 4.0 // a wrong reading pulls no harder than so many times its scatter
)

// step is a step inside a sweep.
type step struct {
	pass  *pass
	at    float64 // encoder time, s
	chi2  float64
	angle bool // lost counts; else a knock
}

// spotSteps looks for the worst step in each pass, and says whether any was
// taken up: then the passes have changed and want a new fit.
func (j *job) spotSteps(s *solution) bool {
	found := false
	for _, p := range append([]*pass(nil), s.model.passes...) {
		st, ok := s.worstStep(p)
		if !ok {
			continue
		}
		found = true
		if st.angle {
			j.loseCounts(p)
			continue
		}
		j.flag(p.src.Cylinder, FlagBumped)
		p.cut(st.at)
	}
	return found
}

// cut ends a stretch at a knock.
func (p *pass) cut(at float64) {
	for i, g := range p.segs {
		if at > g.from && at < g.to {
			tail := segment{from: at, to: g.to, knock: true}
			p.segs[i].to = at
			p.segs = append(p.segs[:i+1], append([]segment{tail}, p.segs[i+1:]...)...)
			return
		}
	}
}

// loseCounts refuses a sweep in which counts were lost; the sweeps after it in
// the same mount stand on a new zero.
func (j *job) loseCounts(p *pass) {
	j.flag(p.src.Cylinder, FlagCountsLost)
	keep := j.passes[:0:0]
	after := false
	fresh := 0
	for _, q := range j.passes {
		fresh = min(fresh, q.mountNo)
	}
	fresh--
	was := p.mountNo
	for _, q := range j.passes {
		switch {
		case q == p:
			after = true
			continue
		case after && q.mountNo == was:
			q.mountNo = fresh
		}
		keep = append(keep, q)
	}
	j.passes = keep
}

// worstStep scans a pass: for each place the readings after it pull together
// by Σψ(z)/σ; what the parameters could have taken up of it is in the
// covariance.
func (s *solution) worstStep(p *pass) (st step, ok bool) {
	var idx []int
	for i := range p.t {
		if p.use[i] {
			idx = append(idx, i)
		}
	}
	n := len(idx)
	if n < 4*bumpSide {
		return st, false
	}
	v := s.model.viewOf(p)
	var sum, info float64
	var a, d columns
	best := -1
	for k := n - 1; k > bumpSide; k-- {
		i := idx[k]
		v.at(p, i, &d)
		w := 1 / p.noise.variance(p.slope[i], p.vel[i])
		sigma := math.Sqrt(1 / w)
		sum += math.Max(-jumpClipSD, math.Min(p.res[i]/sigma, jumpClipSD)) / sigma
		info += w
		for c := range d {
			a[c] += w * d[c]
		}
		if n-k < bumpSide || (n-k)%max(1, n/100) != 0 {
			continue
		}
		left := info - s.taken(p, &a)
		if left < info*1e-3 {
			continue
		}
		if chi2 := sum * sum / left / p.vif; chi2 > st.chi2 {
			st.chi2, best = chi2, k
		}
	}
	if best < 0 || st.chi2 < bumpChi2 {
		return st, false
	}
	best, size := p.sharpest(idx, best, max(1, n/100))
	if size < math.Max(bumpLeast, bumpScat*p.noise.displayMM) {
		return st, false
	}
	st.pass, st.at, st.angle = p, (p.t[idx[best-1]]+p.t[idx[best]])/2-v.tau, p.byAngle(idx, best)
	return st, true
}

// taken is aᵀ·Cov·a over a pass's columns.
func (s *solution) taken(p *pass, a *columns) float64 {
	e := &p.sums.shiftOut
	own := a[colOne]
	b := *a
	for c := range b {
		b[c] -= e.row[c] * own / e.pivot
	}
	sum := own * own / e.pivot
	for _, u := range p.terms {
		for _, w := range p.terms {
			sum += b[u.col] * u.coef * s.cov.At(u.param, w.param) * w.coef * b[w.col]
		}
	}
	return sum
}

// sharpest is where, near k, the residuals change most, and by how much: the
// difference of the medians either side, mm.
func (p *pass) sharpest(idx []int, k, reach int) (best int, size float64) {
	var before, after [bumpSide]float64
	for q := max(bumpSide, k-2*reach-bumpSide); q <= min(len(idx)-bumpSide, k+2*reach+bumpSide); q++ {
		for i := range bumpSide {
			before[i], after[i] = p.res[idx[q-1-i]], p.res[idx[q+i]]
		}
		if d := math.Abs(median(after[:]) - median(before[:])); d > size {
			best, size = q, d
		}
	}
	return best, size
}

// byAngle says whether the step's residuals grow with the slope, as an angle's
// do, rather than being the same everywhere: on the side that the fit gave up.
func (p *pass) byAngle(idx []int, k int) bool {
	side := idx[k:]
	if rough(p.res, idx[:k]) > rough(p.res, side) {
		side = idx[:k]
	}
	var r, b, flat, byAngle []float64
	for _, i := range side {
		r = append(r, p.res[i])
		if math.Abs(p.slope[i]) > 0.03 {
			b = append(b, p.res[i]/p.slope[i])
		}
	}
	if len(b) < bumpSide {
		return false
	}
	height, deg := median(r), median(b)
	for _, i := range side {
		flat = append(flat, math.Abs(p.res[i]-height))
		byAngle = append(byAngle, math.Abs(p.res[i]-deg*p.slope[i]))
	}
	return median(byAngle) < median(flat)
}

// rough is the median size of some residuals.
func rough(res []float64, idx []int) float64 {
	v := make([]float64, len(idx))
	for k, i := range idx {
		v[k] = math.Abs(res[i])
	}
	return median(v)
}

// jumps says whether a stream loses counts between two times: it moves between
// two readings far more than before and after, and goes on from there.
func jumps(s *Series, step, from, to float64) bool {
	for i := 2; i+2 < len(s.T); i++ {
		if s.T[i] < from || s.T[i] > to {
			continue
		}
		d := math.Abs(s.V[i] - s.V[i-1])
		beside := 0.0
		for _, k := range [...]int{i - 1, i + 1, i + 2} {
			beside = math.Max(beside, math.Abs(s.V[k]-s.V[k-1])/math.Max(s.T[k]-s.T[k-1], 1e-4))
		}
		if d > math.Max(jumpDeg, 6*step) && d > jumpTimes*beside*(s.T[i]-s.T[i-1]) {
			return true
		}
	}
	return false
}
