package fit

import (
	"fmt"
	"math"
	"slices"

	"crownmark/fit/crank"
)

// job is one Solve at work: the input, the model and what was said about each
// cylinder on the way.
type job struct {
	in        Input
	lumped    map[string]bool // indicators whose latency beforehand is from how their readings came
	model     *model
	passes    []*pass           // every sweep that can be fitted
	first     map[*pass]float64 // its first top, encoder degrees
	flags     map[int][]string  // by cylinder
	streams   map[*Series]*Series
	wild      map[*Series][]float64 // times (s) of a stream's wild angles
	refused   map[int][]string      // by cylinder: why sweeps could not be fitted
	anchor    int                   // the cylinder that tops are counted from: the reference if it was swept
	mounts    map[int]int           // mount → parameter
	index     map[int]int           // cylinder → parameter, none for the anchor
	eccentric []int                 // parameters of the encoder's eccentricity, none where undeclared and unseen
	strays    []string              // advice about sweeps of another cylinder
	closing   int                   // parameter of the anchor swept again, none if it was not
	bias      map[crank.Geometry][2]float64
	curves    []*errorCurve // corrections of the sweeps' indicators
	moments   []moment      // room for newTrack to work in
}

func newJob(in Input) *job {
	priors, lumped := arrivalPriors(in)
	in.Priors, in.Sweeps = priors, withRests(in.Sweeps)
	return &job{in: in, lumped: lumped, first: map[*pass]float64{}, flags: map[int][]string{}, refused: map[int][]string{}, streams: map[*Series]*Series{},
		wild: map[*Series][]float64{}, bias: map[crank.Geometry][2]float64{}, index: map[int]int{}, anchor: in.Engine.Reference(), closing: none}
}

// withRests gives sweeps the resting stop that another one of their zeroing knows.
func withRests(sweeps []Sweep) []Sweep {
	type zero struct {
		indicator string
		zeroing   int
	}
	known := map[zero]*float64{}
	for _, s := range sweeps {
		if at := (zero{s.Indicator, s.Zeroing}); s.RestMM != nil && known[at] == nil {
			known[at] = s.RestMM
		}
	}
	out := slices.Clone(sweeps)
	for i, s := range out {
		if s.RestMM == nil {
			out[i].RestMM = known[zero{s.Indicator, s.Zeroing}]
		}
	}
	return out
}

func (j *job) flag(cylinder int, f string) {
	if !slices.Contains(j.flags[cylinder], f) {
		j.flags[cylinder] = append(j.flags[cylinder], f)
	}
}

// flagsOf is never nil: JSON lists no flags as [].
func (j *job) flagsOf(cylinder int) []string {
	return append([]string{}, j.flags[cylinder]...)
}

// dropStrays leaves out each sweep whose top lies far from most others of its
// cylinder in the same mount: the indicator stood on another cylinder.
func (j *job) dropStrays() {
	apart := func(p, q *pass) bool { return math.Abs(fold180(j.first[p]-j.first[q])) > wrongCylinderDeg }
	alike := func(p, q *pass) bool { return p.src.Cylinder == q.src.Cylinder && p.mountNo == q.mountNo }
	var strays []*pass
	for _, p := range j.passes {
		with, against := 0, 0
		first := p
		for i := len(j.passes) - 1; i >= 0; i-- {
			switch q := j.passes[i]; {
			case !alike(p, q):
			case apart(p, q):
				against, first = against+1, q
			default:
				with, first = with+1, q
			}
		}
		if against > with || against == with && apart(p, first) { // the earlier ones are believed
			strays = append(strays, p)
		}
	}
	for _, p := range strays {
		j.flag(p.src.Cylinder, FlagStray)
		j.strays = append(j.strays, fmt.Sprintf("Sweep %d, recorded as cylinder %d, has its top far from that cylinder's other sweeps: the indicator stood on another one. Assign the sweep to the cylinder it belongs to, or set it aside.", p.src.ID, p.src.Cylinder))
	}
	j.passes = slices.DeleteFunc(j.passes, func(p *pass) bool { return slices.Contains(strays, p) })
}

// fitted says whether a cylinder has a sweep that can be fitted.
func (j *job) fitted(cylinder int) bool {
	return slices.ContainsFunc(j.passes, func(p *pass) bool { return p.src.Cylinder == cylinder })
}

// link finds, over mounts and cylinders that share sweeps, a first value for
// every mount's offset and every cylinder's error, starting from the anchor.
// Passes that nothing links to it are left out and flagged.
func (j *job) link() (offsets, errors map[int]float64) {
	offsets, errors = map[int]float64{}, map[int]float64{j.anchor: 0}
	for range len(j.passes) + 1 {
		grown := false
		for _, p := range j.passes {
			nominal := j.nominal(p.src.Cylinder)
			_, haveO := offsets[p.mountNo]
			e, haveE := errors[p.src.Cylinder]
			switch {
			case haveE && !haveO:
				offsets[p.mountNo], grown = j.first[p]-nominal-e, true
			case haveO && !haveE:
				errors[p.src.Cylinder], grown = fold180(j.first[p]-nominal-offsets[p.mountNo]), true
			}
		}
		if !grown {
			break
		}
	}
	j.passes = slices.DeleteFunc(j.passes, func(p *pass) bool {
		_, ok := offsets[p.mountNo]
		if !ok {
			j.flag(p.src.Cylinder, FlagMountUnlinked)
		}
		return !ok
	})
	return offsets, errors
}

func (j *job) nominal(cylinder int) float64 {
	t, _ := j.in.Engine.Top(cylinder)
	return t.NominalDeg
}

// fold180 folds an angle into (−180, 180].
func fold180(deg float64) float64 {
	deg = math.Mod(deg, 360)
	switch {
	case deg > 180:
		deg -= 360
	case deg <= -180:
		deg += 360
	}
	return deg
}
