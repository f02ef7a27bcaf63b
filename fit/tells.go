package fit

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat"

	"crownmark/fit/crank"
)

// What the same curves tell beside the top: how long the piston stays near it,
// how far it travels, how the probe leans, what other controllers would leave.

// Duration is the crank angle between equal heights either side of the top,
// as the crank model has it: the indicator's scale, its play and the tilt flip
// are taken out. U95Deg comes from the rod's and the pin offset's doubt.
type Duration struct {
	DropMM float64 `json:"drop_mm"` // below the top, along the bore
	Deg    float64 `json:"deg"`
	U95Deg float64 `json:"u95_deg"`
}

// StepLeft is what a controller with that step would be set to, and what the
// rounding leaves: set and left in degrees, signs as of the trim.
type StepLeft struct {
	StepDeg float64 `json:"step_deg"`
	SetDeg  float64 `json:"set_deg"`
	LeftDeg float64 `json:"left_deg"`
}

// tells fills what one cylinder's curves tell beside its top.
func (j *job) tells(c *Cylinder, s *solution, passes []*pass) {
	p := passes[0]
	c.Durations = durations(s, p)
	j.writeStroke(c, s, passes)
	if j.in.Engine.RodMM != nil {
		k := s.model.value(p.scale)
		c.TiltDeg = tiltDeg(k, s.u95(p.scale))
	}
}

// u95 is a parameter's own expanded doubt.
func (s *solution) u95(i int) float64 {
	return Expand([]float64{s.cov.At(i, i)}, []float64{s.dof})
}

// diffMM is the step for derivatives by rod length and offset.
const diffMM = 0.01

func durations(s *solution, p *pass) []Duration {
	m := s.model
	g := m.bent(p)
	out := []Duration{}
	for _, drop := range []float64{0.5, 1, 2, 5} {
		deg, ok := DurationDeg(g, drop)
		if !ok {
			continue
		}
		longer, aside := g, g
		longer.L += diffMM
		aside.E += diffMM
		a, _ := DurationDeg(longer, drop)
		b, _ := DurationDeg(aside, drop)
		byRod, byOffset := (a-deg)/diffMM, (b-deg)/diffMM
		v := byRod*byRod*s.cov.At(m.rod, m.rod) + 2*byRod*byOffset*s.cov.At(m.rod, m.offset) + byOffset*byOffset*s.cov.At(m.offset, m.offset)
		out = append(out, Duration{drop, deg, Expand([]float64{math.Max(v, 0)}, []float64{s.dof})})
	}
	return out
}

// DurationDeg is the crank angle from the height dropMM below the top before it
// to the same height after it. Crank centre, crankpin and pin make a triangle
// with sides r, l and ρ; its angle at the centre (law of cosines) is the same
// either side of the line from centre to pin:
//
//	ρ² = (y_top − drop)² + e²,  duration = 2·acos((r² + ρ² − l²)/(2rρ))
//
// Not ok where the drop is not less than the stroke.
func DurationDeg(g crank.Geometry, dropMM float64) (deg float64, ok bool) {
	if !(dropMM >= 0 && dropMM < g.StrokeMM()) {
		return 0, false
	}
	y := math.Sqrt((g.L+g.R)*(g.L+g.R)-g.E*g.E) - dropMM
	rho := math.Hypot(y, g.E)
	return 2 * math.Acos(math.Min(1, (g.R*g.R+rho*rho-g.L*g.L)/(2*g.R*rho))) * 180 / math.Pi, true
}

// tiltDeg is how far the probe leans from the bore: readings are k = cos β /
// cos(α − β) of the true heights; on a flat crown (β = 0) α = acos(1/k). nil
// where k does not exceed 1 by more than its doubt. Crown slope cannot be told
// from tilt: on a sloped crown it is wrong.
func tiltDeg(k, u95 float64) *float64 {
	if !(k-1 > u95) {
		return nil
	}
	return ptr(math.Acos(1/k) * 180 / math.Pi)
}

// leftByStep is what controllers of other steps would leave of a trim.
func leftByStep(trim, u95 float64) []StepLeft {
	out := []StepLeft{}
	for _, step := range []float64{0.1, 0.25, 0.5, 1} {
		set := TrimSet(trim, u95, step)
		out = append(out, StepLeft{step, set, trim - set})
	}
	return out
}

const (
	bottomHalfDeg   = 12.0 // half-window of the parabola about the bottom: its quartic's share in the height is under 0.1 µm per mm of curve
	bottomFarDeg    = 10.0 // further than this from where the crank has its bottom, it is no bottom
	bottomCurveMost = 1.5  // a stop that the plunger rests on is flat: the curve must be within this factor of the crank's
)

// writeStroke is the travel that the indicator showed between top and bottom,
// both read in one setup and one zeroing: the top's reading less the bottom's,
// the bottom by a parabola through the lowest part of the readings. The
// indicator's scale (tilt, crown) is in it, and so is its own error over so
// long a range. A piston that hangs by its play H reaches the bottom H too high:
// the doubt covers that.
func (j *job) writeStroke(c *Cylinder, s *solution, passes []*pass) {
	var best estimate
	var declared float64
	atBottom := 0 // sweeps refused as tops because they are the bottom
	for _, p := range passes {
		g := s.model.bent(p)
		if slices.ContainsFunc(passes[:slices.Index(passes, p)], func(q *pass) bool { return q.zero == p.zero }) {
			continue
		}
		lows, vs, refused := j.bottoms(s.model, p, passes, g)
		atBottom += refused
		if len(lows) == 0 {
			continue
		}
		n := float64(len(lows))
		v := stat.Mean(vs, nil) / n
		if n > 1 {
			v = math.Max(v, stat.Variance(lows, nil)/n)
		}
		play := s.model.value(p.play) / math.Sqrt(3) // up to H of the travel is not seen: half-width H
		v += s.cov.At(p.zero, p.zero) + play*play
		seen := estimate{s.model.value(p.zero) - stat.Mean(lows, nil), Expand([]float64{v}, []float64{math.Inf(1)})}
		if declared == 0 || seen.u95 < best.u95 {
			best, declared = seen, g.StrokeMM()
		}
	}
	if declared > 0 {
		j.excuse(c.Number, atBottom)
		c.StrokeSeenMM, c.StrokeSeenU95MM, c.StrokeSeenRatio = ptr(best.value), ptr(best.u95), ptr(best.value/declared)
	}
}

// reaches says whether a pass goes so far (degrees) from its top.
func (p *pass) reaches(deg float64) bool {
	return math.Abs(p.x[0]) > deg || math.Abs(p.x[len(p.x)-1]) > deg
}

// bottoms are the lowest readings of all sweeps in a pass's setup and zeroing,
// their variances, and how many of those sweeps are no passes themselves.
func (j *job) bottoms(m *model, p *pass, passes []*pass, g crank.Geometry) (lows, vs []float64, refused int) {
	for i := range j.in.Sweeps {
		w := &j.in.Sweeps[i]
		if w.Cylinder != p.src.Cylinder || w.Setup != p.src.Setup || w.Zeroing != p.src.Zeroing || w.Indicator != p.src.Indicator {
			continue
		}
		top := slices.IndexFunc(passes, func(q *pass) bool { return q.src == w })
		if top >= 0 && !passes[top].reaches(180-bottomFarDeg) {
			continue
		}
		low, ok := j.bottom(m, w, p, g)
		if !ok {
			continue
		}
		lows, vs = append(lows, low.value), append(vs, low.u95*low.u95)
		if top < 0 {
			refused++
		}
	}
	return lows, vs, refused
}

// excuse takes the flag upside_down back where every sweep that raised it was
// found to be the bottom of this cylinder's stroke.
func (j *job) excuse(cylinder, bottoms int) {
	for _, f := range j.refused[cylinder] {
		if f == FlagUpsideDown {
			bottoms--
		}
	}
	if bottoms >= 0 {
		j.flags[cylinder] = slices.DeleteFunc(j.flags[cylinder], func(f string) bool { return f == FlagUpsideDown })
	}
}

// bottom is the reading (mm) at the piston's lowest in one sweep, with its
// standard uncertainty in u95's place. p is a pass through the top in the same
// setup, which knows the delay and where the top is.
func (j *job) bottom(m *model, w *Sweep, p *pass, g crank.Geometry) (low estimate, ok bool) {
	t, y, _ := j.heights(w)
	if w.Encoder == nil || len(t) < leastReadings {
		return low, false
	}
	e := j.stream(w.Encoder)
	if len(e.T) < 2 {
		return low, false
	}
	var x, up []float64 // turned over: a bottom is a top of −y
	for i := range t {
		if theta, ok := e.between(t[i] - m.value(p.tau)); ok {
			x, up = append(x, theta), append(up, -y[i])
		}
	}
	at, ok := highestOf(x, up)
	if !ok {
		return low, false
	}
	v, err := Parabola(x, up, at, bottomHalfDeg)
	if err != nil || v.N < 8 {
		return low, false
	}
	const perDeg = math.Pi / 180
	curve := -v.Curve / (m.value(p.scale) * g.R * (g.L - g.R) / g.L * perDeg * perDeg)
	if curve > bottomCurveMost || curve < 1/bottomCurveMost {
		return low, false
	}
	if mount, known := j.mounts[w.Mount]; known {
		after := v.AngleDeg - m.value(mount) - p.baseDeg - m.value(p.index)
		if math.Abs(fold180(after-(g.BottomDeg()-g.TopDeg()))) > bottomFarDeg {
			return low, false
		}
	}
	// The height of a least-squares vertex has 9/4 of σ²/n; a display's step does not average away where nothing moves.
	u := math.Max(1.5*p.noise.displayMM*math.Sqrt(p.vif/float64(v.N)), p.noise.floorMM)
	return estimate{-v.PeakMM, u}, true
}

// between is a series' value at a time, linear between its readings.
func (s *Series) between(at float64) (float64, bool) {
	i := sort.SearchFloat64s(s.T, at)
	if i == 0 || i == len(s.T) {
		return 0, false
	}
	f := (at - s.T[i-1]) / (s.T[i] - s.T[i-1])
	return s.V[i-1] + f*(s.V[i]-s.V[i-1]), true
}

// highestOf is where y is highest; of five neighbours the middle one counts,
// so that a spike is no peak.
func highestOf(x, y []float64) (at float64, ok bool) {
	best := math.Inf(-1)
	for i := 2; i+2 < len(y); i++ {
		if mid := median(slices.Clone(y[i-2 : i+3])); mid > best {
			best, at, ok = mid, x[i], true
		}
	}
	return at, ok
}

// LightReading is one line of the timing-light table: where the light shows
// ShowsDeg before the top, the reference really fires at RealDeg.
type LightReading struct {
	ShowsDeg float64 `json:"shows_deg"`
	RealDeg  float64 `json:"real_deg"`
	U95Deg   float64 `json:"u95_deg"`
	MarkDeg  float64 `json:"mark_deg"` // the mark that this was taken from
}

// timingLight tells what a timing light really shows: real = shown + error, by
// the mark nearest to 0 that has a believable error. Empty without one.
func timingLight(marks []MarkError) []LightReading {
	out := []LightReading{}
	var zero *MarkError
	for i, m := range marks {
		if m.believable() && (zero == nil || math.Abs(m.MarkDeg) < math.Abs(zero.MarkDeg)) {
			zero = &marks[i]
		}
	}
	if zero == nil {
		return out
	}
	for _, shows := range []float64{0, 5, 10, 15, 20, 30} {
		out = append(out, LightReading{shows, shows + *zero.ErrorDeg, *zero.U95Deg, zero.MarkDeg})
	}
	return out
}

// believable: the error is known, its doubt says something, and it can be this
// mark's and this cylinder's.
func (m MarkError) believable() bool {
	return m.ErrorDeg != nil && m.U95Deg != nil && *m.U95Deg <= markDoubtMostDeg && math.Abs(*m.ErrorDeg) <= wrongCylinderDeg
}
