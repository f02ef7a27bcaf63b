package fit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// prepare turns the input's sweeps into passes with a first guess of each top.
func (j *job) prepare() error {
	lost := map[int]int{}
	for i := range j.in.Sweeps {
		s := &j.in.Sweeps[i]
		if _, ok := j.in.Engine.Top(s.Cylinder); !ok {
			return fmt.Errorf("sweep %d: the engine has no cylinder %d; assign the sweep to one of its cylinders or set it aside", s.ID, s.Cylinder)
		}
		p, flag := j.newPass(s)
		if flag == FlagCountsLost {
			lost[s.Mount]--
		}
		if flag != "" {
			j.refused[s.Cylinder] = append(j.refused[s.Cylinder], flag)
			continue
		}
		if n := lost[s.Mount]; n < 0 { // what follows stands on a new zero
			p.mountNo = n<<16 - s.Mount
		}
		j.passes = append(j.passes, p)
	}
	j.dropStrays()
	for cylinder, flags := range j.refused {
		good := j.fitted(cylinder)
		for _, f := range flags {
			// A probe being placed, a crank being nudged: scraps beside good sweeps are no news.
			if scrap := f == FlagShort || f == FlagFewReadings; !good || !scrap {
				j.flag(cylinder, f)
			}
		}
	}
	return nil
}

// heightMostMM is beyond every indicator's travel: what lies further out is a
// wrong reading, and its square must not drown the others.
const heightMostMM = 1e4

// newPass prepares one sweep, or says with a flag why it cannot be fitted.
func (j *job) newPass(s *Sweep) (*pass, string) {
	p := &pass{src: s, mountNo: s.Mount}
	p.t, p.y, p.stepMM = j.heights(s)
	if len(p.t) < leastReadings {
		return nil, FlagFewReadings
	}
	lag := j.indicatorPrior(s.Indicator).LatencyMS / 1000
	if flag := j.follow(p, lag); flag != "" {
		return nil, flag
	}
	n := len(p.t)
	p.use, p.robust, p.w = make([]bool, n), ones(n), make([]float64, n)
	p.x, p.res, p.slope, p.vel = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	p.stride = max(1, n/thinnedTo)
	p.split()
	p.choose(lag, j.lashBound())
	p.spotSpikes()
	if flag := j.guessTop(p, lag); flag != "" {
		return nil, flag
	}
	return p, ""
}

// leastReadings of a sweep are no sweep if fewer.
const leastReadings = 12

// follow makes the encoder's track over a pass, lag (s) earlier than the heights,
// or says with a flag why it cannot be used.
func (j *job) follow(p *pass, lag float64) string {
	const edgeS, movedDeg = 0.3, 0.5 // the latency may reach outside the sweep; less is no motion
	enc := p.src.Encoder
	if enc == nil || len(enc.T) < 2 {
		return FlagNoMotion
	}
	stream, step := j.stream(enc), j.encoderStep(enc)
	from, to := p.t[0], p.t[len(p.t)-1]
	var ok bool
	if p.track, ok = newTrack(stream, step, from-edgeS-lag, to+edgeS-lag, &j.moments); !ok {
		return FlagNoMotion
	}
	if jumps(stream, step, from, to) {
		return FlagCountsLost
	}
	a, _, _ := p.track.at(from - lag)
	b, _, _ := p.track.at(to - lag)
	switch turned := math.Abs(b - a); {
	case turned < movedDeg:
		return FlagNoMotion
	case turned < j.in.Priors.MinSpanDeg:
		return FlagShort
	}
	p.dir = math.Copysign(1, b-a)
	return ""
}

// guessTop finds a pass's first top, or says with a flag why there is none.
func (j *job) guessTop(p *pass, lag float64) string {
	var x, y []float64
	for i := range p.t {
		if p.served(i) {
			th, _, _ := p.track.at(p.t[i] - lag)
			x, y = append(x, th), append(y, p.y[i])
		}
	}
	top, err := firstTop(x, y)
	switch err {
	case nil:
		j.first[p] = top.AngleDeg
		return ""
	case errUpsideDown:
		return FlagUpsideDown
	case errFewReadings:
		return FlagFewReadings
	}
	return FlagMissesTop
}

// heights are a sweep's corrected readings in order of time, and the step that
// its display shows.
func (j *job) heights(s *Sweep) (t, y []float64, stepMM float64) {
	t, y = cleanSeries(s.Height)
	stepMM = stepOf(y)
	c := j.in.Corrections[s.Indicator]
	for i, v := range y {
		y[i] = math.Max(-heightMostMM, math.Min(v+c.at(v), heightMostMM)) // still a spike, counted as one
	}
	return t, y, stepMM
}

// stream is an encoder's stream with only the readings whose times can be
// trusted, made once for all sweeps that share it.
func (j *job) stream(s *Series) *Series {
	if j.streams[s] == nil {
		t, v := cleanSeries(*s)
		j.streams[s], j.wild[s] = dropWild(t, v)
	}
	return j.streams[s]
}

// wildDeg is how far one angle must lie outside its two neighbours' range to be
// wrong: at the turn of a hand it lies outside by a reading's travel at most.
const wildDeg = 5.0

// dropWild leaves out single wild angles (a dropped digit) and returns the
// times of those.
func dropWild(t, v []float64) (*Series, []float64) {
	out := &Series{}
	var wild []float64
	for i := range v {
		if i > 0 && i+1 < len(v) && outside(v[i-1], v[i], v[i+1]) > wildDeg {
			wild = append(wild, t[i])
			continue
		}
		out.T, out.V = append(out.T, t[i]), append(out.V, v[i])
	}
	return out, wild
}

// outside is how far v lies outside the range from a to b.
func outside(a, v, b float64) float64 { return math.Max(math.Min(a, b)-v, v-math.Max(a, b)) }

// cleanSeries returns times and values in order of time, without anything that is
// not a number and without what was only repeated. Of readings that came in one
// burst, all stamped when it was read, the last came nearest to that time: the
// others had been waiting for it and are left out.
func cleanSeries(s Series) (t, y []float64) {
	order := make([]int, 0, len(s.T))
	for i := range s.T {
		if i+1 < len(s.T) && s.Late != nil && s.Late[i+1] > 0 {
			continue
		}
		if !math.IsNaN(s.V[i]) && !math.IsInf(s.V[i], 0) && !math.IsNaN(s.T[i]) && !math.IsInf(s.T[i], 0) {
			order = append(order, i)
		}
	}
	byTime := func(a, b int) int { return cmp.Compare(s.T[a], s.T[b]) }
	if !slices.IsSortedFunc(order, byTime) {
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Or(byTime(a, b), cmp.Compare(s.V[a], s.V[b])) })
	}
	t, y = make([]float64, 0, len(order)), make([]float64, 0, len(order))
	last := none
	for _, i := range order {
		if last != none && s.T[i] == s.T[last] && s.V[i] == s.V[last] {
			continue
		}
		last = i
		t, y = append(t, s.T[i]), append(y, s.V[i])
	}
	return t, y
}

// at is the correction to add to a reading, linear between its points, held
// beyond them; 0 where there is no correction.
func (c Correction) at(reading float64) float64 {
	n := len(c.ReadingMM)
	if n == 0 {
		return 0
	}
	i, _ := slices.BinarySearch(c.ReadingMM, reading)
	switch {
	case i == 0:
		return c.CorrectionMM[0]
	case i == n:
		return c.CorrectionMM[n-1]
	}
	f := (reading - c.ReadingMM[i-1]) / (c.ReadingMM[i] - c.ReadingMM[i-1])
	return c.CorrectionMM[i-1] + f*(c.CorrectionMM[i]-c.CorrectionMM[i-1])
}

func (j *job) indicatorPrior(name string) IndicatorPrior {
	if p, ok := j.in.Priors.Indicators[name]; ok {
		return p
	}
	return j.in.Priors.Default
}

func (j *job) lashBound() float64 {
	return math.Min(1.5, math.Abs(j.in.Priors.LashDeg)+2*j.in.Priors.LashUDeg)
}

func (j *job) encoderStep(s *Series) float64 {
	if j.in.Priors.EncoderStepDeg > 0 {
		return j.in.Priors.EncoderStepDeg
	}
	return stepOf(s.V)
}
