package fit

import (
	"math"
	"sort"
)

// segment is a stretch of a sweep between two stops of the hand, in encoder time.
type segment struct {
	from, to float64
	knock    bool // it begins with a knock at the indicator, not with a re-grip
}

const (
	standingShare = 0.12 // a hand is standing below this share of its usual speed …
	standingDegS  = 0.3  // … or below this speed, °/s
	regripS       = 0.25 // a stop this long is a re-grip: the bar may have shifted the crank
)

// standing is the speed (°/s) under which this sweep's hand counts as standing.
func (p *pass) standing() float64 {
	speeds := make([]float64, 0, len(p.track.vel))
	for _, v := range p.track.vel {
		if f := p.dir * v; f > standingDegS {
			speeds = append(speeds, f)
		}
	}
	if len(speeds) == 0 {
		return standingDegS
	}
	sort.Float64s(speeds)
	return math.Max(standingDegS, standingShare*speeds[len(speeds)/2])
}

// split finds the stretches between re-grips.
func (p *pass) split() {
	if p.readOff {
		p.segs = []segment{{from: math.Inf(-1), to: math.Inf(1)}}
		return
	}
	floor := p.standing()
	k := p.track
	var stops []segment
	from := math.NaN()
	for i, v := range k.vel {
		at := k.t0 + float64(i)*k.dt
		switch still := p.dir*v < floor; {
		case still && math.IsNaN(from):
			from = at
		case !still && !math.IsNaN(from):
			if at-from > regripS && i > 0 {
				stops = append(stops, segment{from: from, to: at})
			}
			from = math.NaN()
		}
	}
	p.segs = p.segs[:0]
	start := math.Inf(-1)
	for _, s := range stops {
		mid := (s.from + s.to) / 2
		if s.from > k.t0+k.dt { // not the start of the sweep
			p.segs = append(p.segs, segment{from: start, to: mid})
			start = mid
		}
	}
	p.segs = append(p.segs, segment{from: start, to: math.Inf(1)})
}

// choose marks the readings that the model may use: the crank moving in the
// sweep's direction beyond where it was before (after a reversal or a spring
// back the encoder stands while the crank takes up its lash), the plunger off
// its resting stop. lag is the latency, s; lashDeg the bound of the lash.
func (p *pass) choose(lag, lashDeg float64) {
	if p.readOff {
		for i := range p.use {
			p.use[i] = true
		}
		return
	}
	k := p.track
	p.lag = lag
	fit := p.moving(lashDeg)
	for i, t := range p.t {
		f := (t - lag - k.t0) / k.dt
		inside := f >= 0 && f < float64(len(fit)-1)
		p.use[i] = inside && fit[int(f)] && fit[int(f)+1]
	}
	p.dropResting()
}

// moving says of each node of the track whether the crank moves well there: not
// near a stop, nowhere it was before, past the lash.
func (p *pass) moving(lashDeg float64) []bool {
	const beyondDeg, backDeg = 0.5, 0.02 // past the lash, and what the smoothed angle may fall back by
	k := p.track
	floor := p.standing()
	good := make([]bool, len(k.theta))
	far, begin := math.Inf(-1), math.Inf(1)
	for _, th := range k.theta {
		begin = math.Min(begin, p.dir*th)
	}
	margin := int(math.Ceil(math.Min(math.Max(2*k.memoryS, 0.04), 0.2) / k.dt))
	last := -margin - 1 // the last node that was not well
	for i, th := range k.theta {
		at := p.dir * th
		far = math.Max(far, at)
		if i == 0 || i == len(k.theta)-1 || p.dir*k.vel[i] <= floor {
			for j := max(i-margin, 0); j < i; j++ {
				good[j] = false
			}
			last = i
			continue
		}
		good[i] = i-last > margin && at > begin+lashDeg+beyondDeg && at > far-backDeg
	}
	return good
}

// dropResting leaves out the ends of a sweep where the plunger stands on its
// stop: a constant height while the crank turns more than a degree.
func (p *pass) dropResting() {
	const restMM, restDeg = 0.02, 1.0
	n := len(p.t)
	drop := func(from, step int) {
		i := from
		for i >= 0 && i < n && !p.use[i] {
			i += step
		}
		if i < 0 || i >= n {
			return
		}
		y0 := p.y[i]
		th0, _, _ := p.track.at(p.t[i])
		j := i
		for j >= 0 && j < n && math.Abs(p.y[j]-y0) <= restMM {
			j += step
		}
		last := min(max(j-step, 0), n-1)
		th1, _, _ := p.track.at(p.t[last])
		if math.Abs(th1-th0) < restDeg {
			return
		}
		for ; i != j; i += step {
			p.use[i] = false
		}
	}
	drop(0, 1)
	drop(n-1, -1)
}
