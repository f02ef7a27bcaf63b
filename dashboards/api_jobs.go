package dashboards

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"crownmark/fit/engine"
	"crownmark/store"
)

type jobDoc struct {
	ID        int64          `json:"id"`
	Name      string         `json:"name"`
	State     string         `json:"state"`
	Engine    engine.Engine  `json:"engine"`
	Revision  int64          `json:"revision"`
	Direction *int           `json:"direction"` // +1 or −1 once confirmed
	Simulated bool           `json:"simulated"`
	CreatedAt time.Time      `json:"created_at"`
	Selected  map[string]int `json:"selected"` // null: not selected

	Stage             *string    `json:"stage"` // null: not said
	CustomerReference string     `json:"customer_reference"`
	Notes             string     `json:"notes"`
	Tags              []string   `json:"tags"`
	Order             []int      `json:"order"` // the cylinders as they will be swept
	EngineID          *int64     `json:"engine_id"`
	Follows           *int64     `json:"follows"`
	CautionsAt        *time.Time `json:"cautions_acknowledged_at"`
	CautionsBy        *string    `json:"cautions_acknowledged_by"`
}

func jobOf(j store.Job) jobDoc {
	d := jobDoc{ID: j.ID, Name: j.Name, State: j.State, Engine: j.Engine, Revision: j.Revision, Simulated: j.Simulated,
		CreatedAt: j.CreatedAt.UTC(), Selected: j.Selected, CustomerReference: j.CustomerReference, Notes: j.Notes,
		Tags: append([]string{}, j.Tags...), Order: append([]int{}, j.Order...), EngineID: positive(j.LibraryEngine),
		Follows: positive(j.Follows), CautionsAt: j.CautionsAt()}
	if j.DirectionSign != 0 {
		d.Direction = &j.DirectionSign
	}
	if j.Stage != "" {
		d.Stage = &j.Stage
	}
	if j.Cautions != nil {
		d.CautionsBy = &j.Cautions.Actor
	}
	return d
}

func (s *Server) getJobs(w http.ResponseWriter, r *http.Request) error {
	page, err := pageOf(r.URL.Query())
	if err != nil {
		return err
	}
	jobs, next, err := s.store.Jobs(r.Context(), page)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, listOf(jobs, next, jobOf))
}

func (s *Server) postJob(w http.ResponseWriter, r *http.Request) error {
	var in newJobBody
	if err := readBody(r, &in); err != nil {
		return err
	}
	key := r.Header.Get("Idempotency-Key")
	if err := checkKey(key); err != nil {
		return err
	}
	n, faults := s.newJobOf(r.Context(), in)
	if len(faults) > 0 {
		return invalid(faults...)
	}
	n.Actor, n.IdempotencyKey = actor(r), key
	job, replayed, err := s.store.CreateJob(r.Context(), n)
	if err != nil {
		return err
	}
	created(w, fmt.Sprintf("/api/v1/jobs/%d", job.ID), replayed)
	return writeJSON(w, http.StatusCreated, jobOf(job))
}

// engineOf reads an engine; every problem becomes a fault under /engine.
func engineOf(b json.RawMessage) (engine.Engine, []Fault) {
	if len(b) == 0 {
		return engine.Engine{}, []Fault{{"/engine", "missing", "send the engine as in the engine file, in JSON"}}
	}
	e, err := engine.ParseJSON(b)
	if err == nil {
		return e, nil
	}
	problems, ok := errors.AsType[engine.Problems](err)
	if !ok {
		return e, []Fault{{"/engine", err.Error(), "see the engine file's description"}}
	}
	var faults []Fault
	for _, p := range problems {
		faults = append(faults, Fault{"/engine" + p.Pointer, p.Detail, p.Fix})
	}
	return e, faults
}

func checkName(name string, mayBeEmpty bool) []Fault {
	if utf8.RuneCountInString(name) > 200 || strings.TrimSpace(name) != name || (name == "" && !mayBeEmpty) || strings.ContainsFunc(name, unicode.IsControl) {
		return []Fault{{"/name", "empty, longer than 200 characters, of several lines, or with blanks at its ends", "send a short name"}}
	}
	return nil
}

// pathJob is the job whose id stands in the path.
func (s *Server) pathJob(r *http.Request) (store.Job, error) {
	id, err := pathID(r)
	if err != nil {
		return store.Job{}, err
	}
	return s.store.Job(r.Context(), id)
}

func (s *Server) getJob(w http.ResponseWriter, r *http.Request) error {
	job, err := s.pathJob(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, jobOf(job))
}

func (s *Server) patchJob(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var in struct {
		Name   *string         `json:"name"`
		State  *string         `json:"state"`
		Engine json.RawMessage `json:"engine"`
		attributesBody
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	patch := store.JobPatch{Name: in.Name, State: in.State, JobAttributes: store.JobAttributes(in.attributesBody), Actor: actor(r)}
	faults := in.attributesBody.check()
	if in.State != nil && *in.State != "open" && *in.State != "closed" {
		faults = append(faults, Fault{"/state", fmt.Sprintf("%q is no state of a job", *in.State), "open or closed"})
	}
	if in.Name != nil {
		faults = append(faults, checkName(*in.Name, false)...)
	}
	if len(in.Engine) > 0 {
		e, wrong := engineOf(in.Engine)
		patch.Engine = &e
		faults = append(faults, wrong...)
	}
	if patch.Name == nil && patch.State == nil && patch.Engine == nil && patch.JobAttributes == (store.JobAttributes{}) {
		faults = append(faults, Fault{"", "nothing to change", "send name, state, engine, stage, customer_reference, notes, tags or order"})
	}
	if len(faults) > 0 {
		return invalid(faults...)
	}
	job, err := s.store.UpdateJob(r.Context(), id, patch)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, jobOf(job))
}

func (s *Server) postCautions(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	job, err := s.store.AcknowledgeCautions(r.Context(), id, actor(r))
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, jobOf(job))
}
