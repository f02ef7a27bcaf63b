package dashboards

import (
	"context"
	"encoding/json"
	"math"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/store"
)

// rack is a Store of several jobs in memory.
type rack struct {
	Store  // nil: every other method panics
	jobs   []store.Job
	sweeps []store.Sweep
	inputs map[int64]fit.Input
}

// add takes a job in; its sweeps' numbers go on.
func (k *rack) add(name string, in fit.Input) {
	id := int64(len(k.jobs) + 1)
	began := time.Date(2026, 11, 20, 9, int(id), 0, 0, time.UTC)
	k.jobs = append(k.jobs, store.Job{ID: id, Name: name, State: "open", Engine: in.Engine, Revision: 1, DirectionSign: 1, Simulated: in.Simulated, CreatedAt: began})
	in.Sweeps = slices.Clone(in.Sweeps)
	for i := range in.Sweeps {
		w := &in.Sweeps[i]
		w.ID = int64(len(k.sweeps) + 1)
		direction := 1
		if n := len(w.Encoder.V); w.Encoder.V[n-1] < w.Encoder.V[0] || i%2 == 1 {
			direction = -1
		}
		k.sweeps = append(k.sweeps, store.Sweep{ID: w.ID, Job: id, Cylinder: w.Cylinder, Indicator: w.Indicator, State: store.SweepComplete, Direction: direction,
			Mount: w.Mount, Setup: w.Setup, Zeroing: w.Zeroing, Simulated: in.Simulated, Readings: int64(len(w.Height.T)), StartedAt: began, EndedAt: &began})
	}
	if k.inputs == nil {
		k.inputs = map[int64]fit.Input{}
	}
	k.inputs[id] = in
}

func (k *rack) Job(_ context.Context, id int64) (store.Job, error) {
	if id < 1 || id > int64(len(k.jobs)) {
		return store.Job{}, store.ErrNotFound
	}
	return k.jobs[id-1], nil
}

func (k *rack) Jobs(_ context.Context, p store.Page) ([]store.Job, *int64, error) {
	return k.jobs, nil, nil
}

func (k *rack) Sweeps(_ context.Context, job int64, _ store.Page) (out []store.Sweep, _ *int64, _ error) {
	for _, w := range k.sweeps {
		if w.Job == job {
			out = append(out, w)
		}
	}
	return out, nil, nil
}

func (k *rack) Sweep(_ context.Context, id int64) (store.Sweep, error) {
	if id < 1 || id > int64(len(k.sweeps)) {
		return store.Sweep{}, store.ErrNotFound
	}
	return k.sweeps[id-1], nil
}

func (k *rack) Input(_ context.Context, job int64) (fit.Input, string, error) {
	return k.inputs[job], "7", nil
}
func (k *rack) Revision(context.Context, int64) (string, error) { return "7", nil }
func (k *rack) Stats() store.Stats                              { return store.Stats{HeadHash: "5e1c90ab"} }

// ground is the same bench after one throw was moved by so much, mounted anew,
// turned by another hand.
func ground(truth virtual.Truth, cylinder int, deg float64) virtual.Truth {
	truth.Seed, truth.Encoder.OffsetDeg = truth.Seed+1000, math.Mod(truth.Encoder.OffsetDeg+77, 360)
	truth.Cylinders = slices.Clone(truth.Cylinders)
	for i := range truth.Cylinders {
		if truth.Cylinders[i].Number == cylinder {
			truth.Cylinders[i].ThrowErrorDeg += deg
		}
	}
	return virtual.Derive(truth)
}

// groundBy is one engine before and after one throw was moved by so much.
func groundBy(t testing.TB, seed uint64, cylinder int, deg float64) *rack {
	t.Helper()
	e := practice(t)
	truth := truthOf(e, seed)
	k := &rack{}
	k.add("before grinding", sweptOn(t, e, truth, virtual.DefaultPlan()))
	k.add("after grinding", sweptOn(t, e, ground(truth, cylinder, deg), virtual.DefaultPlan()))
	return k
}

func serverOver(t testing.TB, k Store) *Server {
	t.Helper()
	s, err := New(Options{Store: k, Bench: benchAt(0, nil), Software: "crownmark test"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// asks gets a path and holds JSON against the description.
func asks(t testing.TB, s *Server, path string) *httptest.ResponseRecorder {
	t.Helper()
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost"+path, nil))
	if !strings.Contains(rec.Header().Get("Content-Type"), "json") {
		return rec
	}
	var v any
	if err := json.Unmarshal(rec.Body.Bytes(), &v); err != nil {
		t.Fatal(err)
	}
	bare, _, _ := strings.Cut(path, "?")
	spec := readSpec(t)
	schema, ok := spec.answer("GET", bare, rec.Code, rec.Header().Get("Content-Type"))
	if !ok {
		t.Fatalf("%s: %d is not described", bare, rec.Code)
	}
	for _, fault := range spec.check(schema, v, "") {
		t.Errorf("%s: %s", path, fault)
	}
	return rec
}

// told is the part of the answer that the tests read.
type toldCompare struct {
	On   string
	Grid struct {
		From_deg, Step_deg float64
		Points             int
	}
	Curves []struct {
		Letter                                               string
		Sweep, Job                                           int64
		Cylinder, Direction                                  int
		Not_drawn                                            *string
		Against                                              *int64
		Own_top_deg, Gap_deg                                 float64
		X_deg, Height_mm, Residual_mm                        []float64
		Left_out                                             []int
		Grid_height_mm, Grid_residual_mm, Grid_difference_mm []*float64
	}
	Pairs []struct {
		Job, Reference_job           int64
		Cylinder, Reference_cylinder int
		Why                          string
		Rows                         []quantity
	}
}

func compareTold(t testing.TB, s *Server, query string) (c toldCompare) {
	t.Helper()
	rec := asks(t, s, "/api/v1/compare?"+query)
	if rec.Code != 200 {
		t.Fatalf("%d %s", rec.Code, rec.Body)
	}
	if err := json.Unmarshal(rec.Body.Bytes(), &c); err != nil {
		t.Fatal(err)
	}
	return c
}
