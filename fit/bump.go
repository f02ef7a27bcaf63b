package fit

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/stat"
)

// A knock at the indicator leaves a step in the heights, lost counts one in the
// angles. The model is smooth, and so are the residuals of a poor fit: a sharp
// step in them, larger than their scatter beside it, is one of the two.
const (
	bumpUMM     = 1.0  // a knocked indicator may stand anywhere
	bumpLeast   = 0.01 // mm: smaller steps are left to the doubt
	bumpSteps   = 2.5  // … and in units of the display's step
	bumpCounts  = 1.3  // … and of the encoder's step
	bumpScat    = 7.0  // … and of the scatter beside it
	bumpEnds    = 0.03 // so much of a sweep's weight must lie either side of a step
	hiddenLeast = 0.02 // … and so much of its weight that nothing else can take up
	hiddenClear = 14.0 // a step without a sharp edge must be so many times its doubt
	bumpMost    = 6    // steps looked for in a job, one after the other
	bumpSide    = 7    // readings either side that tell a step
	jumpDeg     = 0.5  // an angle that jumps so far between two readings lost counts
	jumpTimes   = 4.0  // … if its neighbours moved so many times less
)

// step is a step inside a pass: at (encoder time, s), how large, at what slope
// (mm per degree), and how clear: its size in units of the scatter beside it.
type step struct {
	pass                     *pass
	at, sizeMM, slope, clear float64
}

// spotSteps takes up the clearest step in all passes and says whether there
// was one: then the passes have changed and want a new fit.
func (j *job) spotSteps(s *solution) bool {
	var worst, small step
	for _, p := range s.model.passes {
		tau, step := s.model.value(p.tau), j.encoderStep(p.src.Encoder)
		if st := p.step(tau, step); st.clear > worst.clear {
			worst = st
		}
		if st := s.hidden(p, tau); worst.clear == 0 && st.clear > small.clear {
			small = st
		}
	}
	p := worst.pass
	switch {
	case p == nil && small.pass == nil:
		return false
	case p == nil:
		j.flag(small.pass.src.Cylinder, FlagBumped)
		small.pass.cut(small.at)
	case byAngle(j.stream(p.src.Encoder), j.encoderStep(p.src.Encoder), worst):
		j.loseCounts(p)
	default:
		j.flag(p.src.Cylinder, FlagBumped)
		p.cut(worst.at)
	}
	return true
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

// step is where a pass's residuals step most clearly; nothing where they do
// not. tau is the latency, s; encoderStep, degrees, is what the angle may be off by
// for a while where the crank turns in step with the encoder's lines.
func (p *pass) step(tau, encoderStep float64) (best step) {
	idx := make([]int, 0, len(p.t))
	for i, use := range p.use {
		if use {
			idx = append(idx, i)
		}
	}
	least := math.Max(bumpLeast, bumpSteps*p.noise.floorMM*math.Sqrt(12))
	var before, after [bumpSide]float64
	for q := bumpSide; q+bumpSide <= len(idx); q++ {
		r := func(i int) float64 { return p.res[idx[q+i]] }
		least := math.Max(least, bumpCounts*encoderStep*math.Abs(p.slope[idx[q]]))
		if math.Abs(middle(r(0), r(1), r(2))-middle(r(-1), r(-2), r(-3))) < least {
			continue
		}
		for i := range bumpSide {
			before[i], after[i] = r(-1-i), r(i)
		}
		size := math.Abs(median(after[:]) - median(before[:]))
		scatter := math.Max(math.Max(spread(before[:]), spread(after[:])), p.noise.floorMM)
		if clear := size / scatter; size > least && clear > bumpScat && clear > best.clear {
			best = step{p, (p.t[idx[q-1]]+p.t[idx[q]])/2 - tau, size, p.slope[idx[q]], clear}
		}
	}
	return best
}

// hidden is the step in a pass's heights that would take up most of its
// residuals, were everything else fitted anew beside it: a small knock bends the
// whole curve and leaves no sharp edge. Nothing where none is clear. With s = 1
// behind the step and 0 before it, its size is sᵀWr/V and its gain (sᵀWr)²/V, where
// V = sᵀWs − sᵀWJ·Cov·JᵀWs; the pass's own offset is free.
func (s *solution) hidden(p *pass, tau float64) (best step) {
	if p.poor() { // then it is no knock alone that bends it
		return best
	}
	rows, weights, mean, level, all := s.model.levelled(p)
	cov := s.byColumns(p)
	var score, behind float64
	var cross columns
	for i := len(p.t) - 1; i > 0; i-- {
		w := weights[i]
		if w == 0 {
			continue
		}
		score += w * (p.res[i] - level)
		behind += w
		for k := range cross {
			cross[k] += w * (rows[i][k] - mean[k])
		}
		if behind < bumpEnds*all || behind > (1-bumpEnds)*all {
			continue
		}
		rest := behind * (all - behind) / all
		left := rest - cov.form(&cross)
		if left < hiddenLeast*rest {
			continue
		}
		size, clear := math.Abs(score/left), math.Abs(score)/math.Sqrt(left*p.vif)
		if size > math.Max(bumpLeast, p.noise.floorMM) && clear > hiddenClear && clear > best.clear {
			best = step{p, p.t[i] - tau - 1e-6, size, p.slope[i], clear}
		}
	}
	return best
}

// levelled are a pass's derivatives and weights (1/mm²; 0: does not count), each
// reading as if it stood alone, the weighted means of derivatives and residuals,
// and the sum of the weights.
func (m *model) levelled(p *pass) (rows []columns, weights []float64, mean columns, level, all float64) {
	v := m.viewOf(p)
	rows, weights = make([]columns, len(p.t)), make([]float64, len(p.t))
	for i := range p.t {
		if !p.use[i] {
			continue
		}
		v.at(p, i, &rows[i])
		w := p.robust[i] / p.variance(i)
		weights[i] = w
		all += w
		level += w * p.res[i]
		for k := range mean {
			mean[k] += w * rows[i][k]
		}
	}
	for k := range mean {
		mean[k] /= all
	}
	return rows, weights, mean, level / all, all
}

// byColumns is the covariance as a pass's columns feel it.
func (s *solution) byColumns(p *pass) (k block) {
	for _, t := range p.terms {
		for _, u := range p.terms {
			if t.col <= u.col {
				k.a[t.col][u.col] += t.coef * u.coef * s.cov.At(t.param, u.param)
			}
		}
	}
	return k
}

func middle(a, b, c float64) float64 { return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c)) }

// spread is the scatter of a few sorted values that are not all good: their
// median distance from their median, as a standard deviation.
func spread(v []float64) float64 {
	mid := v[len(v)/2]
	var d [bumpSide]float64
	for i := range v {
		d[i] = math.Abs(v[i] - mid)
	}
	return 1.4826 * median(d[:len(v)])
}

// lineStep is by how much the encoder's angle steps before its i-th reading:
// the readings before and after, drawn on as straight lines, miss each other.
// clear is the step in units of their scatter.
func lineStep(enc *Series, i int) (deg, clear float64) {
	const sideS = 0.4
	lo, hi := sort.SearchFloat64s(enc.T, enc.T[i]-sideS), sort.SearchFloat64s(enc.T, enc.T[i]+sideS)
	lo, hi = max(0, min(lo, i-4)), min(len(enc.T), max(hi, i+4))
	if i-lo < 3 || hi-i < 3 {
		return 0, 0
	}
	before, v1 := stat.LinearRegression(enc.T[lo:i], enc.V[lo:i], nil, false)
	after, v2 := stat.LinearRegression(enc.T[i:hi], enc.V[i:hi], nil, false)
	var sq float64
	for k := lo; k < hi; k++ {
		r := enc.V[k] - before - v1*enc.T[k]
		if k >= i {
			r = enc.V[k] - after - v2*enc.T[k]
		}
		sq += r * r
	}
	deg = math.Abs(after - before + (v2-v1)*(enc.T[i]+enc.T[i-1])/2)
	return deg, deg / math.Sqrt(sq/float64(hi-lo)+1e-12)
}

// byAngle says whether it is the angle that steps there, by more than a count
// and most of what the heights step.
func byAngle(enc *Series, encoderStep float64, st step) bool {
	const nearS, clearMost = 0.15, 3
	most := 0.0
	for i := sort.SearchFloat64s(enc.T, st.at-nearS); i < len(enc.T) && enc.T[i] < st.at+nearS; i++ {
		if i == 0 {
			continue
		}
		if deg, clear := lineStep(enc, i); clear > clearMost && deg > bumpCounts*encoderStep {
			most = math.Max(most, deg)
		}
	}
	return most*math.Abs(st.slope) > 0.5*st.sizeMM
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
			if deg, clear := lineStep(s, i); deg > 0.7*d && clear > jumpTimes { // a late line jumps too, and is back at once
				return true
			}
		}
	}
	return false
}
