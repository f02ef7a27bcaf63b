package dashboards

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"

	"crownmark/fit"
	"crownmark/store"
)

// compareView is the page: the chooser, the curves' table, what differs.
type compareView struct {
	Asked      asked
	Comparison *comparison // nil: nothing is chosen, or Trouble
	Trouble    *Problem
	Picks      []jobPick // the newest jobs and those chosen
	Older      []jobPick
	Grinds     []beforeAfter
	OnTop      link
	OnNominal  link
	Refs       []link
	Swap       string // "": there are not two jobs
	Curves     []curveRow
	Pairs      []pairRow
	Moved      []pairRow // whose index differs significantly
	Judged     int
	AllAlike   bool // all moved by the same: the reference may have
	Rules      []string
}

// link is something that is chosen or not; following it changes that.
type link struct {
	ID, URL, Text string
	Checked       string // true, false, mixed
}

type jobPick struct {
	store.Job
	All       link
	Cylinders []link
	Sweeps    []link
}

type beforeAfter struct {
	Before, After store.Job
	URL           string
}

type curveRow struct {
	*comparedCurve
	Place     int
	Ink, Dash string
	Way, Less string
}

const jobsShown = 8 // newest jobs in the chooser; older ones are folded

func (s *Server) comparePage(w http.ResponseWriter, r *http.Request) error {
	v := compareView{}
	var err error
	status := http.StatusOK
	if v.Asked, err = askedOf(r.URL.Query()); err == nil && !v.Asked.empty() {
		v.Comparison, err = s.compare(r.Context(), v.Asked)
	}
	if err != nil {
		p := problemOf(err)
		if p.Status >= http.StatusInternalServerError {
			return err
		}
		v.Trouble, status = p, p.Status
	}
	if err := s.fillChooser(r.Context(), &v); err != nil {
		return err
	}
	if v.Comparison != nil {
		v.fill()
	}
	return s.render(w, r, status, "compare", frame{Title: "Compare", Here: "compare", Page: &v, Simulated: v.Comparison != nil && v.Comparison.Simulated})
}

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

// fill writes what the comparison itself shows.
func (v *compareView) fill() {
	k := v.Comparison
	v.Rules = []string{compareRule, jointRule, squaresRule, chanceRule}
	for _, on := range []struct {
		to   *link
		on   string
		text string
	}{{&v.OnTop, onTop, "On each own top"}, {&v.OnNominal, onNominal, "On the nominal top"}} {
		to := v.Asked
		to.On, to.From, to.To = on.on, nil, nil
		*on.to = link{"on-" + on.on, to.Page(), on.text, fmt.Sprint(k.Asked.On == on.on)}
	}
	if len(k.Jobs) == 2 {
		v.Swap = v.swapped().Page()
	}
	for i := range k.Curves {
		c := &k.Curves[i]
		row := curveRow{c, i, inkOf(i), dashOf(i), fit.WayWords(c.Sweep.Direction), ""}
		if c.Against >= 0 {
			row.Less = k.Curves[c.Against].Letter
		}
		v.Curves = append(v.Curves, row)
	}
	v.fillRefs()
	v.fillPairs()
}

// swapped takes the second job first.
func (v *compareView) swapped() asked {
	to, k := v.Asked, v.Comparison
	if len(to.Jobs) == 2 {
		to.Jobs = []int64{to.Jobs[1], to.Jobs[0]}
		return to
	}
	ids := slices.Clone(v.Comparison.Curves)
	slices.SortStableFunc(ids, func(a, b comparedCurve) int {
		first := func(c comparedCurve) int {
			if c.Sweep.Job == k.Jobs[0].ID {
				return 1
			}
			return 0
		}
		return first(a) - first(b)
	})
	to.Sweeps = nil
	for _, c := range ids {
		to.Sweeps = append(to.Sweeps, c.Sweep.ID)
	}
	return to
}

func (v *compareView) fillRefs() {
	k := v.Comparison
	to := v.Asked
	to.Ref = 0
	text := "by reference cylinder"
	if len(k.Jobs) > 1 {
		text = "same cylinder of the first job"
	}
	v.Refs = []link{{"ref-0", to.Page(), text, fmt.Sprint(k.Asked.Ref == 0)}}
	for i := range k.Curves {
		if c := &k.Curves[i]; c.Why == "" {
			to.Ref = c.Sweep.ID
			v.Refs = append(v.Refs, link{fmt.Sprintf("ref-%d", to.Ref), to.Page(), c.Letter, fmt.Sprint(k.Asked.Ref == to.Ref)})
		}
	}
}

// pairRow is a pair with the figures that stand first.
type pairRow struct {
	*pair
	Index, Throw quantity
	Two          bool // of two jobs
}

func (v *compareView) fillPairs() {
	k := v.Comparison
	lo, hi, doubt, moved := math.Inf(1), math.Inf(-1), 0.0, 0
	for i := range k.Pairs {
		p := pairRow{pair: &k.Pairs[i], Two: len(k.Jobs) > 1}
		if len(p.Rows) > 0 {
			p.Index, p.Throw = p.Rows[0], p.Rows[1]
		}
		v.Pairs = append(v.Pairs, p)
		if p.Index.Significant == nil {
			continue
		}
		v.Judged++
		lo, hi, doubt = min(lo, *p.Index.Difference), max(hi, *p.Index.Difference), max(doubt, *p.Index.DifferenceU)
		if *p.Index.Significant {
			v.Moved = append(v.Moved, p)
			moved++
		}
	}
	v.AllAlike = len(k.Jobs) > 1 && moved > 1 && moved == v.Judged && hi-lo < doubt
}

// Significance is a difference's verdict in a word, with its shape.
func (q quantity) Significance() string {
	switch {
	case q.Significant == nil:
		return "not judged"
	case *q.Significant:
		return "significant"
	}
	return "within its doubt"
}

// Shape is a disc for significant, a ring for within its doubt, a dash for not judged.
func (q quantity) Shape() template.HTML {
	var d drawing
	d.add(`<svg class="shape" viewBox="-10 -10 20 20" aria-hidden="true">`)
	switch {
	case q.Significant == nil:
		d.rect("v dot", -6, -1, 12, 2)
	case *q.Significant:
		d.circle("v dot", 0, 0, 6.5)
	default:
		d.circle("v reference", 0, 0, 6.5)
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

// Text is a figure with its doubt, as its unit is printed. Lengths are the
// page's business.
func (q quantity) Text(v, u95 *float64) string {
	switch {
	case v == nil:
		return "—"
	case q.signed() && *v == 0 && u95 != nil && *u95 == 0:
		return "0°" // the reference, by definition
	case q.Unit == "deg" && q.signed():
		return withDoubt(v, u95)
	case q.Unit == "deg":
		return topText(v, u95)
	case u95 != nil:
		return strings.TrimPrefix(fit.WithDoubt(v, u95), "+")
	}
	return signed(*v, 4)
}

func (q quantity) signed() bool { return q.Name == "index_error" || q.Name == "throw_error" }

// Apart is the difference with its doubt.
func (q quantity) Apart() string {
	switch {
	case q.Difference == nil:
		return "—"
	case q.Unit == "deg" && q.Name != "top":
		return withDoubt(q.Difference, q.DifferenceU)
	case q.Name == "scale":
		return fit.WithDoubt(q.Difference, q.DifferenceU)
	}
	return q.Text(q.Difference, q.DifferenceU)
}

// By says how the difference's doubt was formed.
func (q quantity) By() string {
	switch q.DoubtBy {
	case byJointFit:
		return "joint fit"
	case bySquares:
		return "root sum of squares"
	}
	return ""
}

// GridRule is how curves come to one grid.
func (compareView) GridRule() string { return gridRule }

// Later says whether the top comes later than that of the other.
func (p pairRow) Later() bool { return deref(p.Index.Difference) > 0 }

// SameCylinder: the same one of two jobs.
func (p pairRow) SameCylinder() bool { return p.Cylinder == p.RefCylinder }

// Size is how much, without its sign.
func (p pairRow) Size() string {
	v := math.Abs(deref(p.Index.Difference))
	return topText(&v, p.Index.DifferenceU)
}

func (p pairRow) Own() string { return fmt.Sprint(p.Cylinder) }

func (p pairRow) Ref() string { return fmt.Sprint(p.RefCylinder) }
