package sweepcsv

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"sort"

	"crownmark/fit"
)

// gatherer puts rows together into sweeps.
type gatherer struct {
	file      string
	sweeps    map[int64]*sweep
	shared    map[int]*samples // encoder-only rows without a sweep, by mount; 0: for all of them
	simulated bool
	warnings  []string
}

// sweep is one sweep value's rows so far.
type sweep struct {
	first   line // what every row of it must repeat
	where   int  // line of first
	heights samples
	angles  samples // of the height rows
	own     samples // of its encoder-only rows
	noAngle *line   // first height row without an angle
	labels  bool    // cylinder, indicator, setup and zeroing are known (from a height row)
}

// samples is a fit.Series that may be out of order yet.
type samples struct {
	t, v []float64
	late []int
}

func (s *samples) add(t, v float64, late int) {
	s.t, s.v, s.late = append(s.t, t), append(s.v, v), append(s.late, late)
}

// series sorts by time; rows of one time stay in the file's order.
func (s *samples) series() fit.Series {
	if !sort.Float64sAreSorted(s.t) {
		order := make([]int, len(s.t))
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(s.t[a], s.t[b]) })
		sorted := samples{}
		for _, i := range order {
			sorted.add(s.t[i], s.v[i], s.late[i])
		}
		*s = sorted
	}
	out := fit.Series{T: s.t, V: s.v}
	if slices.ContainsFunc(s.late, func(l int) bool { return l > 0 }) {
		out.Late = s.late
	}
	return out
}

func (g *gatherer) problem(l line, name, fix, detail string, args ...any) error {
	return &Error{File: g.file, Line: l.number, Name: name, Detail: fmt.Sprintf(detail, args...), Fix: fix}
}

func (g *gatherer) add(l line) error {
	g.simulated = g.simulated || l.Simulated
	switch {
	case l.HeightMM == nil && l.AngleDeg == nil:
		return g.problem(l, "", "leave the row out, or give the reading", "the row has neither angle nor height")
	case l.HeightMM != nil && l.Sweep == nil:
		return g.problem(l, colSweep, "number its sweep", "a height belongs to a sweep")
	case l.HeightMM != nil && l.Cylinder == nil:
		return g.problem(l, colCylinder, "name the cylinder under the indicator", "a height belongs to a cylinder")
	case l.Sweep == nil && l.Cylinder != nil:
		return g.problem(l, colSweep, "leave both empty for an encoder row that serves every sweep, or give both", "the row has a cylinder but no sweep")
	case l.Sweep == nil:
		if g.shared[l.Mount] == nil {
			g.shared[l.Mount] = &samples{}
		}
		g.shared[l.Mount].add(l.TS, *l.AngleDeg, l.Burst)
		return nil
	}
	s := g.sweeps[*l.Sweep]
	if s == nil {
		s = &sweep{first: l, where: l.number}
		g.sweeps[*l.Sweep] = s
	}
	if err := g.agree(s, l); err != nil {
		return err
	}
	s.take(l)
	return nil
}

// agree refuses a row that contradicts its sweep: one sweep value is one
// indicator, one cylinder, one mount, setup and zeroing. Encoder-only rows may
// leave everything but the sweep empty.
func (g *gatherer) agree(s *sweep, l line) error {
	encoderOnly := l.HeightMM == nil
	differs := func(name string, given, first any) error {
		return g.problem(l, name, "give what follows a new sweep number", "sweep %d has %s %v here, but %v in line %d", *l.Sweep, name, given, first, s.where)
	}
	if l.Mount != s.first.Mount && !(encoderOnly && l.Mount == 0) {
		if s.labels || s.first.Mount != 0 {
			return differs(colMount, l.Mount, s.first.Mount)
		}
	}
	if encoderOnly {
		if l.Cylinder != nil && s.first.Cylinder != nil && *l.Cylinder != *s.first.Cylinder {
			return differs(colCylinder, *l.Cylinder, *s.first.Cylinder)
		}
		return nil
	}
	if s.first.Cylinder != nil && *l.Cylinder != *s.first.Cylinder {
		return differs(colCylinder, *l.Cylinder, *s.first.Cylinder)
	}
	if !s.labels {
		return nil
	}
	switch {
	case l.Indicator != s.first.Indicator:
		return differs(colIndicator, quoted(l.Indicator), quoted(s.first.Indicator))
	case l.Setup != s.first.Setup:
		return differs(colSetup, l.Setup, s.first.Setup)
	case l.Zeroing != s.first.Zeroing:
		return differs(colZeroing, l.Zeroing, s.first.Zeroing)
	case !equal(l.AngleUDeg, s.first.AngleUDeg):
		return g.problem(l, colAngleU, "give what follows a new sweep number", "sweep %d has another doubt of its angles here than in line %d", *l.Sweep, s.where)
	case l.ZeroOn != s.first.ZeroOn:
		return differs(colZeroOn, quoted(l.ZeroOn), quoted(s.first.ZeroOn))
	case !equal(l.RestMM, s.first.RestMM):
		return g.problem(l, colRest, "give what follows a new sweep number", "sweep %d has another resting stop here than in line %d", *l.Sweep, s.where)
	case degrees(l.ReclockDeg) != degrees(s.first.ReclockDeg):
		return differs(colReclock, degrees(l.ReclockDeg), degrees(s.first.ReclockDeg))
	}
	return nil
}

func equal(a, b *float64) bool { return a == b || a != nil && b != nil && *a == *b }

func quoted(s string) string { return fmt.Sprintf("%q", s) }

func degrees(v *float64) string {
	if v == nil {
		return "nothing"
	}
	return fmt.Sprintf("%g°", *v)
}

func (s *sweep) take(l line) {
	if l.HeightMM == nil {
		s.own.add(l.TS, *l.AngleDeg, l.Burst)
		return
	}
	if !s.labels {
		if l.Mount == 0 {
			l.Mount = s.first.Mount
		}
		s.first, s.where, s.labels = l, l.number, true
	}
	s.heights.add(l.TS, *l.HeightMM, l.Burst)
	switch {
	case l.AngleDeg != nil:
		s.angles.add(l.TS, *l.AngleDeg, l.Burst)
	case s.noAngle == nil:
		s.noAngle = &l
	}
}

// finish makes the sweeps, in the order of their numbers.
func (g *gatherer) finish() (File, error) {
	shared := map[int]*fit.Series{}
	for mount, s := range g.shared {
		series := s.series()
		shared[mount] = &series
	}
	f := File{Simulated: g.simulated}
	numbers := g.defaults()
	for _, id := range slices.Sorted(maps.Keys(g.sweeps)) {
		s := g.sweeps[id]
		if !s.labels {
			g.warnings = append(g.warnings, fmt.Sprintf("%s:%d: sweep %d has no height and was left out", g.file, s.where, id))
			continue
		}
		encoder, err := g.encoder(s, shared)
		if err != nil {
			return File{}, err
		}
		l := s.first
		sw := fit.Sweep{ID: id, Cylinder: *l.Cylinder, Indicator: l.Indicator, Mount: max(l.Mount, 1),
			Setup: cmp.Or(l.Setup, numbers.of(l)), Zeroing: cmp.Or(l.Zeroing, numbers.of(l)),
			Encoder: encoder, Height: s.heights.series(), DeckZero: l.ZeroOn == "deck", ReclockDeg: l.ReclockDeg, RestMM: l.RestMM}
		if l.AngleUDeg != nil {
			angles := s.angles.series()
			sw.AngleUDeg, sw.Encoder = *l.AngleUDeg, &angles
		}
		if err := g.oneSitting(s, sw); err != nil {
			return File{}, err
		}
		if err := g.oneDirection(s, sw); err != nil {
			return File{}, err
		}
		f.Sweeps = append(f.Sweeps, sw)
	}
	f.Warnings = g.warnings
	if len(f.Sweeps) == 0 {
		return File{}, &Error{File: g.file, Detail: "there is no height in it", Fix: "give a file with at least one sweep"}
	}
	return f, g.oneSetup(f.Sweeps)
}

// encoder is the sweep's angle stream: its own encoder-only rows, else those
// that serve every sweep of the mount, else the angles beside its heights.
func (g *gatherer) encoder(s *sweep, shared map[int]*fit.Series) (*fit.Series, error) {
	if len(s.own.t) > 0 {
		series := s.own.series()
		return &series, nil
	}
	if series := cmp.Or(shared[max(s.first.Mount, 1)], shared[0]); series != nil {
		return series, nil
	}
	if l := s.noAngle; l != nil {
		return nil, g.problem(*l, colAngle, "give the angle, or the encoder's own rows (with an empty height)", "the angle is missing, and no encoder row serves sweep %d in mount %d", *l.Sweep, max(s.first.Mount, 1))
	}
	series := s.angles.series()
	return &series, nil
}

// oneSetup refuses a setup number on two cylinders or two indicators: it is
// one placement of one indicator.
func (g *gatherer) oneSetup(sweeps []fit.Sweep) error {
	first := map[int]fit.Sweep{}
	for _, s := range sweeps {
		f, seen := first[s.Setup]
		if !seen {
			first[s.Setup] = s
		} else if f.Cylinder != s.Cylinder || f.Indicator != s.Indicator {
			return g.problem(line{number: g.sweeps[s.ID].where}, colSetup, "number each placement of an indicator anew",
				"setup %d is on cylinder %d (indicator %q) in sweep %d, but on cylinder %d (indicator %q) in sweep %d", s.Setup, s.Cylinder, s.Indicator, s.ID, f.Cylinder, f.Indicator, f.ID)
		}
	}
	return nil
}
