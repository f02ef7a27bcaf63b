package dashboards

import (
	"fmt"
	"math"
	"net/http"
	"slices"

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
