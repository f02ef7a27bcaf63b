package dashboards

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"crownmark/fit/engine"
	"crownmark/store"
)

const tomlType = "application/toml"

type engineDoc struct {
	ID        int64         `json:"id"`
	State     string        `json:"state"`
	Revision  int64         `json:"revision"`
	Engine    engine.Engine `json:"engine"`
	CreatedAt time.Time     `json:"created_at"`
	ChangedAt time.Time     `json:"changed_at"`
}

func engineDocOf(e store.LibraryEngine) engineDoc {
	return engineDoc{e.ID, e.State, e.Revision, e.Engine, e.CreatedAt, e.ChangedAt}
}

func (s *Server) getEngines(w http.ResponseWriter, r *http.Request) error {
	page, err := pageOf(r.URL.Query())
	if err != nil {
		return err
	}
	engines, next, err := s.store.LibraryEngines(r.Context(), page)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, listOf(engines, next, engineDocOf))
}

// postEngine takes {"engine":…} or the engine file itself.
func (s *Server) postEngine(w http.ResponseWriter, r *http.Request) error {
	e, err := sentEngine(r)
	if err != nil {
		return err
	}
	key := r.Header.Get("Idempotency-Key")
	if err := checkKey(key); err != nil {
		return err
	}
	added, replayed, err := s.store.AddEngine(r.Context(), e, actor(r), key)
	if err != nil {
		return err
	}
	created(w, fmt.Sprintf("/api/v1/engines/%d", added.ID), replayed)
	return writeJSON(w, http.StatusCreated, engineDocOf(added))
}

func sentEngine(r *http.Request) (engine.Engine, error) {
	kind, body, err := bodyOf(r, "application/json", tomlType)
	if err != nil {
		return engine.Engine{}, err
	}
	if kind == tomlType {
		if fault := longLine(body); fault != nil {
			return engine.Engine{}, invalid(*fault)
		}
		e, err := engine.Parse("engine.toml", body)
		if err != nil {
			return e, invalid(fileFaults(err)...)
		}
		return e, nil
	}
	var in struct {
		Engine json.RawMessage `json:"engine"`
	}
	if err := decodeStrict(body, &in); err != nil {
		return engine.Engine{}, err
	}
	e, faults := engineOf(in.Engine)
	if len(faults) > 0 {
		return e, invalid(faults...)
	}
	return e, nil
}

const maxFileLine = 1000 // bytes: a key of thousands of dotted parts takes seconds to read

func longLine(file []byte) *Fault {
	for i, line := range bytes.Split(file, []byte("\n")) {
		if len(line) > maxFileLine {
			return &Fault{"", fmt.Sprintf("line %d: longer than %d characters", i+1, maxFileLine), "an engine file has short lines; break a long list into several"}
		}
	}
	return nil
}

// fileFaults are an engine file's problems, each with its line.
func fileFaults(err error) (faults []Fault) {
	problems, ok := errors.AsType[engine.Problems](err)
	if !ok {
		return []Fault{{"", err.Error(), "send an engine file"}}
	}
	for _, p := range problems {
		faults = append(faults, Fault{p.Pointer, fmt.Sprintf("line %d: %s", p.Line, p.Detail), p.Fix})
	}
	return faults
}

func (s *Server) getEngine(w http.ResponseWriter, r *http.Request) error {
	e, err := s.libraryEngine(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, engineDocOf(e))
}

func (s *Server) libraryEngine(r *http.Request) (store.LibraryEngine, error) {
	id, err := pathID(r)
	if err != nil {
		return store.LibraryEngine{}, err
	}
	return s.store.LibraryEngine(r.Context(), id)
}

func (s *Server) getEngineFile(w http.ResponseWriter, r *http.Request) error {
	e, err := s.libraryEngine(r)
	if err != nil {
		return err
	}
	file, err := e.Engine.TOML()
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", tomlType)
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="engine-%d.toml"`, e.ID))
	w.Header().Set("Cache-Control", "no-store")
	_, err = w.Write(file)
	return err
}

func (s *Server) patchEngine(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var in struct {
		State  *string         `json:"state"`
		Engine json.RawMessage `json:"engine"`
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	patch := store.LibraryPatch{State: in.State, Actor: actor(r)}
	var faults []Fault
	if in.State != nil && *in.State != store.LibraryKept && *in.State != store.LibraryRetired {
		faults = append(faults, Fault{"/state", fmt.Sprintf("%q is no state of an engine in the library", *in.State), "kept or retired"})
	}
	if len(in.Engine) > 0 {
		e, wrong := engineOf(in.Engine)
		patch.Engine = &e
		faults = append(faults, wrong...)
	}
	if in.State == nil && patch.Engine == nil {
		faults = append(faults, Fault{"", "nothing to change", "send engine or state"})
	}
	if len(faults) > 0 {
		return invalid(faults...)
	}
	e, err := s.store.UpdateEngine(r.Context(), id, patch)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, engineDocOf(e))
}

// postStar draws an engine that is being typed: nothing is kept.
func (s *Server) postStar(w http.ResponseWriter, r *http.Request) error {
	e, err := sentEngine(r)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Cache-Control", "no-store")
	_, err = w.Write([]byte(starSVG(e)))
	return err
}
