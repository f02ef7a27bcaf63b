package dashboards

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"crownmark/store"
)

// fillChooser lists the jobs, the sweeps of those that are chosen, and which
// jobs look like before and after.
func (s *Server) fillChooser(ctx context.Context, v *compareView) error {
	jobs, err := s.allJobs(ctx)
	if err != nil {
		return err
	}
	slices.Reverse(jobs)
	v.Grinds = grinds(jobs)
	for i, j := range jobs {
		pick := jobPick{Job: j}
		chosen := v.Comparison != nil && slices.ContainsFunc(v.Comparison.Jobs, func(c comparedJob) bool { return c.ID == j.ID })
		if i < jobsShown || chosen {
			if err := s.fillPick(ctx, v, &pick, chosen); err != nil {
				return err
			}
			v.Picks = append(v.Picks, pick)
			continue
		}
		pick.All = link{ID: fmt.Sprintf("job-%d", j.ID), URL: asked{Jobs: []int64{j.ID}, On: v.Asked.On}.Page(), Text: j.Name, Checked: "false"}
		v.Older = append(v.Older, pick)
	}
	return nil
}

func (s *Server) fillPick(ctx context.Context, v *compareView, pick *jobPick, chosen bool) error {
	sweeps, err := s.allSweeps(ctx, pick.ID)
	if err != nil {
		return err
	}
	byCylinder := map[int][]int64{}
	var all []int64
	var numbers []int
	for _, w := range sweeps {
		if w.SetAside || w.State != store.SweepComplete {
			continue
		}
		if byCylinder[w.Cylinder] == nil {
			numbers = append(numbers, w.Cylinder)
		}
		all, byCylinder[w.Cylinder] = append(all, w.ID), append(byCylinder[w.Cylinder], w.ID)
		if chosen {
			pick.Sweeps = append(pick.Sweeps, v.toggle(fmt.Sprintf("sweep-%d", w.ID), fmt.Sprintf("%d %s", w.ID, arrow(w.Direction)), w.ID))
		}
	}
	pick.All = v.toggle(fmt.Sprintf("job-%d", pick.ID), pick.Name, all...)
	if !chosen {
		return nil
	}
	slices.Sort(numbers)
	for _, n := range numbers {
		pick.Cylinders = append(pick.Cylinders, v.toggle(fmt.Sprintf("cylinder-%d-%d", pick.ID, n), fmt.Sprint(n), byCylinder[n]...))
	}
	return nil
}

func arrow(direction int) string {
	if direction < 0 {
		return "←"
	}
	return "→"
}

// toggle is a link that takes all of the sweeps in, or out where all are in.
func (v *compareView) toggle(id, text string, sweeps ...int64) link {
	now := v.chosenIDs()
	in := 0
	for _, w := range sweeps {
		if slices.Contains(now, w) {
			in++
		}
	}
	next := slices.Clone(now)
	l := link{ID: id, Text: text, Checked: "mixed"}
	switch {
	case in == len(sweeps) && in > 0:
		l.Checked = "true"
		next = slices.DeleteFunc(next, func(w int64) bool { return slices.Contains(sweeps, w) })
	case in == 0:
		l.Checked = "false"
	}
	if l.Checked != "true" {
		for _, w := range sweeps {
			if !slices.Contains(next, w) {
				next = append(next, w)
			}
		}
	}
	to := v.Asked
	to.Jobs, to.Sweeps = nil, next
	if !slices.Contains(next, to.Ref) {
		to.Ref = 0
	}
	l.URL = to.Page()
	return l
}

func (v *compareView) chosenIDs() (ids []int64) {
	if v.Comparison == nil {
		return nil
	}
	for _, c := range v.Comparison.Curves {
		ids = append(ids, c.Sweep.ID)
	}
	return ids
}

// grinds finds jobs that look like before and after, those after grinding first.
func grinds(newestFirst []store.Job) (out []beforeAfter) {
	const most = 6
	for i, after := range newestFirst {
		if before := beforeOf(after, newestFirst[i+1:]); before != nil {
			out = append(out, beforeAfter{*before, after, asked{Jobs: []int64{before.ID, after.ID}}.Page()})
		}
	}
	slices.SortStableFunc(out, func(a, b beforeAfter) int {
		return cmp.Compare(later(a.After), later(b.After))
	})
	return out[:min(most, len(out))]
}

func later(j store.Job) int {
	if j.Stage == store.StageAfterGrinding {
		return 0
	}
	return 1
}

// beforeOf is the job that a job follows, the last of the same customer's
// reference and engine, or the last of such an engine; nil: none.
func beforeOf(after store.Job, older []store.Job) *store.Job {
	for _, is := range []func(store.Job) bool{
		func(j store.Job) bool { return j.ID == after.Follows },
		func(j store.Job) bool {
			return j.CustomerReference != "" && j.CustomerReference == after.CustomerReference && sameEngine(j, after)
		},
		func(j store.Job) bool { return sameEngine(j, after) },
	} {
		if i := slices.IndexFunc(older, is); i >= 0 {
			return &older[i]
		}
	}
	return nil
}

func sameEngine(a, b store.Job) bool {
	return a.Engine.Name == b.Engine.Name && a.Engine.StrokeMM == b.Engine.StrokeMM && len(a.Engine.Tops()) == len(b.Engine.Tops())
}
