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
		if s.Correction != nil {
			if err := s.Correction.Check(); err != nil {
				return fmt.Errorf("sweep %d, indicator %q: %w", s.ID, s.Indicator, err)
			}
		}
		j.flagCalibration(s)
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
	j.shareTracks()
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
	p := &pass{src: s, mountNo: s.Mount, readOff: s.AngleUDeg > 0}
	p.t, p.shown, p.stepMM = j.readings(s)
	p.errors = j.curveOf(s)
	p.y = p.errors.correct(s, p.shown)
	follow, lag := j.follow, j.indicatorPrior(s.Indicator).LatencyMS/1000
	if p.readOff {
		follow, lag = j.pairMarks, 0
	}
	if flag := follow(p, lag); flag != "" {
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

// leastReadings make a sweep of an encoder's stream.
const leastReadings = 12

// FewestMarks make a sweep that is read off degree marks.
const FewestMarks = 6

// follow makes the encoder's track over a pass, lag (s) earlier than the heights,
// or says with a flag why it cannot be used.
func (j *job) follow(p *pass, lag float64) string {
	const edgeS = 0.3 // the latency may reach outside the sweep
	enc := p.src.Encoder
	if len(p.t) < leastReadings {
		return FlagFewReadings
	}
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
	return j.span(p, from-lag, to-lag)
}

// span is how far and which way a sweep turned between two times.
func (j *job) span(p *pass, from, to float64) (flag string) {
	const movedDeg = 0.5 // less is no motion
	a, _, _ := p.track.at(from)
	b, _, _ := p.track.at(to)
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

// pairMarks makes the track of a sweep read off marks: each height has its own
// angle. Nothing moves, so that time is only their order.
func (j *job) pairMarks(p *pass, _ float64) (flag string) {
	if p.src.Encoder == nil {
		return FlagNoMotion
	}
	at, deg := cleanSeries(*p.src.Encoder)
	var shown, y, angles []float64
	for i, t := range p.t {
		if k, ok := slices.BinarySearch(at, t); ok {
			shown, y, angles = append(shown, p.shown[i]), append(y, p.y[i]), append(angles, deg[k])
		}
	}
	n := len(angles)
	if n < FewestMarks {
		return FlagFewReadings
	}
	p.stepMM = decimalStep(shown)
	p.t, p.shown, p.y = make([]float64, n), shown, y
	p.track = &track{dt: 1, theta: angles, vel: make([]float64, n), blur: make([]float64, n), restless: make([]float64, n)}
	for i := range n {
		p.t[i], p.track.blur[i] = float64(i), p.src.AngleUDeg*p.src.AngleUDeg
	}
	return j.span(p, 0, float64(n-1))
}

// decimalStep is the place of the last digit that few values show, mm.
func decimalStep(v []float64) float64 {
	step := 1.0
	for places := 0; places < 4; places++ {
		if !slices.ContainsFunc(v, func(x float64) bool { return math.Abs(math.Remainder(x, step)) > 1e-6 }) {
			break
		}
		step /= 10
	}
	return step
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
// Of several side by side the first must also have come faster than any hand.
const (
	wildDeg      = 5.0
	wildMost     = 3 // side by side
	handMostDegS = 360.0
)

// dropWild leaves out wild angles (dropped digits) and returns the times of
// those.
func dropWild(t, v []float64) (*Series, []float64) {
	out := &Series{}
	var wild []float64
	for i := 0; i < len(v); {
		n := 0
		if last := len(out.V) - 1; last >= 0 {
			n = wildRun(out.T[last], out.V[last], t[i:], v[i:])
		}
		wild = append(wild, t[i:i+n]...)
		if i += n; n == 0 {
			out.T, out.V = append(out.T, t[i]), append(out.V, v[i])
			i++
		}
	}
	return out, wild
}

// wildRun is how many angles after a good one (t0, v0) are wild: the next good
// one is back where the hand can be.
func wildRun(t0, v0 float64, t, v []float64) int {
	for n := 1; n <= wildMost && n < len(v); n++ {
		far := n == 1 || math.Abs(v[0]-v0) > handMostDegS*(t[0]-t0)
		for _, w := range v[:n] {
			far = far && outside(v0, w, v[n]) > wildDeg
		}
		if far {
			return n
		}
	}
	return 0
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
