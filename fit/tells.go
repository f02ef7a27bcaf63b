package fit

import (
	"math"
	"slices"
	"sort"

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
	return Expand([]float64{s.cov.At(i, i), s.byCurves(unit(i), nil)}, []float64{s.dof, math.Inf(1)})
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
		byCurves := s.byCurves(map[int]float64{m.rod: byRod, m.offset: byOffset}, nil)
		out = append(out, Duration{drop, deg, Expand([]float64{math.Max(v, 0), byCurves}, []float64{s.dof, math.Inf(1)})})
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
