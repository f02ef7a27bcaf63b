package dashboards

import (
	"context"
	"fmt"
	"slices"

	"crownmark/fit"
	"crownmark/fit/crank"
	"crownmark/store"
)

// comparison is sweeps laid over each other, and what differs.
type comparison struct {
	Asked     asked
	Simulated bool
	Jobs      []comparedJob // those that are concerned, first the first
	Curves    []comparedCurve
	Pairs     []pair
	Grid      grid // set by lay
}

type comparedJob struct {
	store.Job
	Index fit.Index
}

// comparedCurve is one sweep. Why says why it cannot be drawn, "" if it can.
type comparedCurve struct {
	Letter    string
	Sweep     store.Sweep
	Job       *comparedJob
	Why       string
	Against   int     // place of the curve that its difference is taken from; −1: none
	OffsetDeg float64 // its own top on this axis
	XDeg      []float64
	HeightMM  []float64
	ResidMM   []float64
	Used      []bool
	crank     crank.Curve
	laid      laid
}

// compare gathers a choice: its sweeps, the index documents of their jobs, who
// is held against whom. lay forms the differences.
func (s *Server) compare(ctx context.Context, c asked) (*comparison, error) {
	sweeps, err := s.chosen(ctx, c)
	if err != nil {
		return nil, err
	}
	k := &comparison{Asked: c}
	if err := s.addJobs(ctx, k, sweeps); err != nil {
		return nil, err
	}
	for i, w := range sweeps {
		k.Simulated = k.Simulated || w.Simulated
		k.Curves = append(k.Curves, k.curveOf(i, w))
	}
	k.pairUp()
	return k, nil
}

// chosen lists the sweeps of a choice: as named, or those of the jobs that are
// not set aside, by cylinder.
func (s *Server) chosen(ctx context.Context, c asked) ([]store.Sweep, error) {
	if c.empty() {
		return nil, invalid(Fault{"?sweeps", "nothing is chosen", "such as ?sweeps=12,14,31&on=top&ref=12, or ?jobs=3,7"})
	}
	var out []store.Sweep
	for _, id := range c.Sweeps {
		w, err := s.store.Sweep(ctx, id)
		if err != nil {
			return nil, fmt.Errorf("sweep %d: %w", id, err)
		}
		out = append(out, w)
	}
	for _, id := range c.Jobs {
		if _, err := s.store.Job(ctx, id); err != nil {
			return nil, fmt.Errorf("job %d: %w", id, err)
		}
		all, err := s.allSweeps(ctx, id)
		if err != nil {
			return nil, err
		}
		all = slices.DeleteFunc(all, func(w store.Sweep) bool { return w.SetAside || w.State != store.SweepComplete })
		slices.SortStableFunc(all, func(a, b store.Sweep) int { return a.Cylinder - b.Cylinder })
		out = append(out, all...)
	}
	if len(out) > mostCompared {
		return nil, invalid(Fault{"?jobs", fmt.Sprintf("%d sweeps are more than %d", len(out), mostCompared), "choose some of them: ?sweeps="})
	}
	if c.Ref > 0 && !slices.ContainsFunc(out, func(w store.Sweep) bool { return w.ID == c.Ref }) {
		return nil, invalid(Fault{"?ref", fmt.Sprintf("sweep %d is not among the sweeps", c.Ref), "take one of them"})
	}
	return out, nil
}

func (s *Server) addJobs(ctx context.Context, k *comparison, sweeps []store.Sweep) error {
	ids := slices.Clone(k.Asked.Jobs)
	for _, w := range sweeps {
		if !slices.Contains(ids, w.Job) {
			ids = append(ids, w.Job)
		}
	}
	for _, id := range ids {
		job, err := s.store.Job(ctx, id)
		if err != nil {
			return fmt.Errorf("job %d: %w", id, err)
		}
		index, err := s.solver.index(ctx, id)
		if err != nil {
			return inJob(id, err)
		}
		k.Simulated = k.Simulated || job.Simulated || index.Simulated
		k.Jobs = append(k.Jobs, comparedJob{job, index})
	}
	return nil
}

// inJob says which of several jobs a fit's problem is about.
func inJob(id int64, err error) error {
	p := problemOf(err)
	if p.Status >= 500 {
		return err
	}
	told := *p
	told.Detail = fmt.Sprintf("job %d: %s", id, p.Detail)
	return &told
}

func (k *comparison) job(id int64) *comparedJob {
	i := slices.IndexFunc(k.Jobs, func(j comparedJob) bool { return j.ID == id })
	return &k.Jobs[i]
}

// cylinder is a cylinder's row of the job's index document.
func (j *comparedJob) cylinder(number int) (fit.Cylinder, bool) {
	for _, c := range j.Index.Cylinders {
		if c.Number == number {
			return c, true
		}
	}
	return fit.Cylinder{}, false
}

func (k *comparison) curveOf(i int, w store.Sweep) comparedCurve {
	c := comparedCurve{Letter: letter(i), Sweep: w, Job: k.job(w.Job), Against: -1}
	cylinder, ok := c.Job.cylinder(w.Cylinder)
	for _, p := range cylinder.Curves {
		if p.SweepID == w.ID { // a sweep that lost counts stands there in parts
			c.XDeg, c.HeightMM = append(c.XDeg, p.XDeg...), append(c.HeightMM, p.HeightMM...)
			c.ResidMM, c.Used = append(c.ResidMM, p.ResidualMM...), append(c.Used, p.Used...)
			if c.Sweep.Direction == 0 {
				c.Sweep.Direction = p.Direction
			}
		}
	}
	top, known := c.Job.Engine.Top(w.Cylinder)
	switch {
	case w.SetAside:
		c.Why = "set aside"
	case !ok || !known:
		c.Why = fmt.Sprintf("the engine has no cylinder %d", w.Cylinder)
	case !slices.Contains(c.Used, true):
		c.Why = "it serves no fit: " + whyNone(cylinder)
	case k.Asked.On == onNominal && cylinder.IndexErrorDeg == nil:
		c.Why = "where it lies on the nominal top is not known: " + whyNone(cylinder)
	case k.Asked.On == onNominal:
		c.OffsetDeg = *cylinder.IndexErrorDeg
	}
	if known {
		rod, _ := c.Job.Engine.RodOrAssumed()
		g := crank.Geometry{R: c.Job.Engine.StrokeMM / 2, L: rod, E: top.PinOffsetMM}
		c.crank = g.Curve()
	}
	return c
}

// letter names curves A, B, …, Z, AA, AB, …
func letter(i int) string {
	name := ""
	for i++; i > 0; i = (i - 1) / 26 {
		name = string(rune('A'+(i-1)%26)) + name
	}
	return name
}
