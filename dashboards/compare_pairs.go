package dashboards

import (
	"fmt"
	"slices"
)

// group is one cylinder of one job.
type group struct {
	job      int64
	cylinder int
}

// pair is one cylinder held against another.
type pair struct {
	Job, RefJob           *comparedJob
	Cylinder, RefCylinder int
	Why                   string // why nothing can be said, "" if something can
	Rows                  []quantity
}

func (c *comparedCurve) group() group { return group{c.Sweep.Job, c.Sweep.Cylinder} }

// reference says which cylinder a cylinder is held against: the one of the
// sweep that was named; with several jobs the same cylinder of the first; else
// the engine's reference, or the first chosen where that is not among them.
func (k *comparison) reference(g group) group {
	if i := k.named(); i >= 0 {
		return k.Curves[i].group()
	}
	if len(k.Jobs) > 1 {
		return group{k.Jobs[0].ID, g.cylinder}
	}
	home := group{g.job, k.Jobs[0].Engine.Reference()}
	for i := range k.Curves {
		if k.Curves[i].group() == home {
			return home
		}
	}
	return k.Curves[0].group()
}

func (k *comparison) named() int {
	return slices.IndexFunc(k.Curves, func(c comparedCurve) bool { return c.Sweep.ID == k.Asked.Ref })
}

// pairUp says for every curve which curve its difference is taken from, and
// for every cylinder which it is held against.
func (k *comparison) pairUp() {
	if len(k.Curves) == 0 {
		return
	}
	any := false
	for i := range k.Curves {
		k.Curves[i].Against = k.against(i)
		any = any || k.Curves[i].Against >= 0
	}
	if !any { // one cylinder's sweeps, one each way: the first is the reference
		first := slices.IndexFunc(k.Curves, func(c comparedCurve) bool { return c.Why == "" })
		for i := range k.Curves {
			if i != first && k.Curves[i].Why == "" {
				k.Curves[i].Against = first
			}
		}
	}
	k.pairCylinders()
}

// against finds the curve that a curve's difference is taken from; −1 for one that is its own reference or cannot be drawn.
func (k *comparison) against(i int) int {
	c := &k.Curves[i]
	if c.Why != "" {
		return -1
	}
	if n := k.named(); n >= 0 {
		if n == i || k.Curves[n].Why != "" {
			return -1
		}
		return n
	}
	found := k.alike(k.reference(c.group()), i)
	if found == i || (len(k.Jobs) > 1 && found >= 0 && k.Curves[found].Sweep.Job == c.Sweep.Job) {
		return -1
	}
	return found
}

// alike finds, of one cylinder's sweeps, that which is most like curve i: of
// those that ran the same way the one that was as early or late among them
// (between two jobs), else the first; of none that ran the same way the first.
func (k *comparison) alike(ref group, i int) int {
	c := &k.Curves[i]
	all, same, before := -1, []int{}, 0
	for n := range k.Curves {
		r := &k.Curves[n]
		if r.Why != "" || r.Sweep.Direction != c.Sweep.Direction {
			if all < 0 && r.Why == "" && r.group() == ref {
				all = n
			}
			continue
		}
		if r.group() == ref {
			same = append(same, n)
		}
		if n < i && r.group() == c.group() {
			before++
		}
	}
	switch {
	case len(same) == 0:
		return all
	case len(k.Jobs) > 1 && before < len(same):
		return same[before]
	}
	return same[0]
}

func (k *comparison) pairCylinders() {
	var done []group
	for i := range k.Curves {
		g := k.Curves[i].group()
		ref := k.reference(g)
		if slices.Contains(done, g) || g == ref {
			continue
		}
		done = append(done, g)
		p := pair{Job: k.Curves[i].Job, RefJob: k.job(ref.job), Cylinder: g.cylinder, RefCylinder: ref.cylinder}
		own, ok := p.Job.cylinder(p.Cylinder)
		other, okRef := p.RefJob.cylinder(p.RefCylinder)
		switch {
		case !ok:
			p.Why = fmt.Sprintf("the engine has no cylinder %d", p.Cylinder)
		case !okRef:
			p.Why = fmt.Sprintf("job %d has no cylinder %d", p.RefJob.ID, p.RefCylinder)
		default:
			p.Rows = k.quantities(&p, own, other)
		}
		k.Pairs = append(k.Pairs, p)
	}
}
