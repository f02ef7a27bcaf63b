package dashboards

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"crownmark/fit/engine"
	"crownmark/store"
)

// stageWords are the stages as people say them.
func stageWords(stage string) string {
	switch stage {
	case store.StageBareBlock:
		return "bare block"
	case store.StageAssembled:
		return "assembled"
	case store.StageInCar:
		return "in car"
	case store.StageAfterGrinding:
		return "after grinding"
	}
	return ""
}

// jobsView is the list of jobs, as the filters leave it.
type jobsView struct {
	Jobs    []jobDoc
	All     int
	Filters []filter
}

// filter is one thing the list can be narrowed by, and its values.
type filter struct {
	Name    string // of the query key, and its heading
	Heading string
	Values  []filterValue
}

type filterValue struct {
	Text string
	On   bool
	Path string // the list with this value put in, or taken out where it is on
}

const filterValuesMost = 12 // of one filter; more would be a search

func (s *Server) jobsPage(w http.ResponseWriter, r *http.Request) error {
	jobs, err := s.allJobs(r.Context())
	if err != nil {
		return err
	}
	slices.Reverse(jobs)
	docs := make([]jobDoc, len(jobs))
	for i, j := range jobs {
		docs[i] = jobOf(j)
	}
	return s.render(w, r, http.StatusOK, "jobs", frame{Title: "Jobs", Here: "jobs", Page: filtered(docs, r.URL.Query())})
}

// filterKey is a query key of the list, and what a job has of it.
type filterKey struct {
	name, heading string
	of            func(jobDoc) []string
}

func filterKeys() []filterKey {
	return []filterKey{
		{"state", "State", func(j jobDoc) []string { return []string{j.State} }},
		{"stage", "Stage", func(j jobDoc) []string {
			if j.Stage == nil {
				return nil
			}
			return []string{*j.Stage}
		}},
		{"tag", "Tag", func(j jobDoc) []string { return j.Tags }},
		{"reference", "Customer’s reference", func(j jobDoc) []string {
			if j.CustomerReference == "" {
				return nil
			}
			return []string{j.CustomerReference}
		}},
	}
}

// filtered narrows the list by the query and says by what else it could be.
func filtered(jobs []jobDoc, q url.Values) jobsView {
	v := jobsView{All: len(jobs)}
	keys := filterKeys()
	for _, j := range jobs {
		fits := true
		for _, k := range keys {
			fits = fits && (q.Get(k.name) == "" || slices.Contains(k.of(j), q.Get(k.name)))
		}
		if fits {
			v.Jobs = append(v.Jobs, j)
		}
	}
	for _, k := range keys {
		f := filter{Name: k.name, Heading: k.heading}
		for _, j := range jobs {
			for _, value := range k.of(j) {
				f.add(value, q)
			}
		}
		if len(f.Values) > 1 || q.Get(k.name) != "" {
			v.Filters = append(v.Filters, f)
		}
	}
	return v
}

func (f *filter) add(value string, q url.Values) {
	text, on := value, q.Get(f.Name) == value
	if f.Name == "stage" {
		text = stageWords(value)
	}
	if slices.ContainsFunc(f.Values, func(v filterValue) bool { return v.Text == text }) || len(f.Values) >= filterValuesMost && !on {
		return
	}
	next := url.Values{}
	for _, key := range []string{"state", "stage", "tag", "reference"} {
		if now := q.Get(key); now != "" && key != f.Name {
			next.Set(key, now)
		}
	}
	if !on {
		next.Set(f.Name, value)
	}
	f.Values = append(f.Values, filterValue{text, on, "/jobs?" + next.Encode()})
}

// newJobView is the page that makes a job: first the engine, then the stage.
type newJobView struct {
	Library  []engineCard
	Engine   *engine.Engine // chosen; nil: to be chosen from Library
	EngineID int64
	Follows  *jobDoc
	Main     string // the stage that is offered first
	Stages   []string
}

func (s *Server) newJobPage(w http.ResponseWriter, r *http.Request) error {
	v := newJobView{Main: store.StageBareBlock, Stages: store.Stages()}
	var err error
	switch q := r.URL.Query(); {
	case q.Has("follows"):
		err = v.after(r.Context(), s, q.Get("follows"))
	case q.Has("engine"):
		err = v.of(r.Context(), s, q.Get("engine"))
	default:
		v.Library, err = s.cards(r.Context(), store.LibraryKept)
	}
	if err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "newjob", frame{Title: "New job", Here: "jobs", Page: v})
}

func (v *newJobView) of(ctx context.Context, s *Server, id string) error {
	n, err := queryID(id)
	if err != nil {
		return err
	}
	e, err := s.store.LibraryEngine(ctx, n)
	v.Engine, v.EngineID = &e.Engine, e.ID
	return err
}

// after offers the stage that usually comes next on the same engine.
func (v *newJobView) after(ctx context.Context, s *Server, id string) error {
	n, err := queryID(id)
	if err != nil {
		return err
	}
	before, err := s.store.Job(ctx, n)
	if err != nil {
		return err
	}
	d := jobOf(before)
	v.Engine, v.Follows = &d.Engine, &d
	v.Main = map[string]string{store.StageBareBlock: store.StageAfterGrinding, store.StageAfterGrinding: store.StageAssembled,
		store.StageAssembled: store.StageInCar}[before.Stage]
	if v.Main == "" {
		v.Main = store.StageAfterGrinding
	}
	return nil
}

func queryID(text string) (int64, error) {
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return 0, newProblem(http.StatusNotFound, "not-found", "There is no such thing here", fmt.Sprintf("%q is not an id", text), "ids are whole numbers from 1")
	}
	return id, nil
}
