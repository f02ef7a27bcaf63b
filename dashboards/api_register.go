package dashboards

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"crownmark/store"
)

// registeredDoc is an instrument of the register.
type registeredDoc struct {
	ID        int64                  `json:"id"`
	State     string                 `json:"state"`
	Revision  int64                  `json:"revision"`
	Record    store.InstrumentRecord `json:"record"`
	Standing  standingDoc            `json:"standing"`
	CreatedAt time.Time              `json:"created_at"`
	ChangedAt time.Time              `json:"changed_at"`
}

// standingDoc is how it stands with its calibration. Unknown is null.
type standingDoc struct {
	State       string     `json:"state"`
	Certificate *int64     `json:"certificate"` // the latest
	Version     *int64     `json:"version"`
	Overall     string     `json:"overall"`
	IssuedAt    *time.Time `json:"issued_at"`
	DueAt       *time.Time `json:"due_at"`
	LastCheckAt *time.Time `json:"last_check_at"`
}

func registeredOf(i store.Instrument) registeredDoc {
	d := registeredDoc{ID: i.ID, State: i.State, Revision: i.Revision, Record: i.Record, CreatedAt: i.CreatedAt, ChangedAt: i.ChangedAt,
		Standing: standingDoc{State: i.Standing.State, DueAt: i.Standing.DueAt, LastCheckAt: i.Standing.LastCheckAt}}
	if d.Record.LimitsMM == nil {
		d.Record.LimitsMM = map[string]float64{}
	}
	if c := i.Standing.Certificate; c != nil {
		d.Standing.Certificate, d.Standing.Version, d.Standing.Overall, d.Standing.IssuedAt = &c.Number, &c.Version, c.Overall, &c.IssuedAt
	}
	return d
}

func (s *Server) getInstruments(w http.ResponseWriter, r *http.Request) error {
	page, err := pageOf(r.URL.Query())
	if err != nil {
		return err
	}
	list, next, err := s.store.Instruments(r.Context(), page)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, listOf(list, next, registeredOf))
}

func (s *Server) postInstrument(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Record json.RawMessage `json:"record"`
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	key := r.Header.Get("Idempotency-Key")
	if err := checkKey(key); err != nil {
		return err
	}
	if len(in.Record) == 0 {
		return invalid(Fault{"/record", "missing", "send what is written down of the instrument, kind and name at least"})
	}
	var record store.InstrumentRecord
	if err := recordOver(in.Record, &record); err != nil {
		return err
	}
	added, replayed, err := s.store.AddInstrument(r.Context(), record, actor(r), key)
	if err != nil {
		return recordFault(err)
	}
	created(w, fmt.Sprintf("/api/v1/instruments/%d", added.ID), replayed)
	return writeJSON(w, http.StatusCreated, registeredOf(added))
}

// recordOver puts the keys that were sent over those of record; limits as a whole,
// so that one can be taken away.
func recordOver(sent json.RawMessage, record *store.InstrumentRecord) error {
	var keys map[string]json.RawMessage
	if json.Unmarshal(sent, &keys) == nil && keys["limits_mm"] != nil {
		record.LimitsMM = nil
	}
	err := decodeStrict(sent, record)
	p, ok := errors.AsType[*Problem](err)
	if !ok {
		return err
	}
	for i := range p.Errors {
		p.Errors[i].Pointer = "/record" + p.Errors[i].Pointer
	}
	return p
}

// recordFault points at what of a record cannot be so.
func recordFault(err error) error {
	if problems, ok := errors.AsType[store.RecordProblems](err); ok {
		return recordFaults("/record", problems)
	}
	if taken, ok := errors.AsType[*store.TakenError](err); ok {
		return newProblem(http.StatusConflict, "taken", "Another instrument of the register has it already",
			fmt.Sprintf("%q is instrument %d's", taken.Value, taken.By), "name another, or retire that one first",
			Fault{"/record" + pointerTo(taken.Key), fmt.Sprintf("%q is instrument %d's", taken.Value, taken.By), "name another, or retire that one first"})
	}
	return err
}

// recordFaults points at what cannot be kept of the object at a place of the body.
func recordFaults(at string, problems store.RecordProblems) error {
	var faults []Fault
	for _, p := range problems {
		key, name, within := strings.Cut(p.Key, "/")
		pointer := at + pointerTo(key)
		if within {
			pointer += pointerTo(name)
		}
		faults = append(faults, Fault{pointer, p.Detail, p.Fix})
	}
	return invalid(faults...)
}

// pathInstrument is the instrument whose id stands in the path.
func (s *Server) pathInstrument(r *http.Request) (store.Instrument, error) {
	id, err := pathID(r)
	if err != nil {
		return store.Instrument{}, err
	}
	return s.store.Instrument(r.Context(), id)
}

func (s *Server) getInstrument(w http.ResponseWriter, r *http.Request) error {
	i, err := s.pathInstrument(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, registeredOf(i))
}

// patchInstrument changes the keys of the record that were sent, or the state.
func (s *Server) patchInstrument(w http.ResponseWriter, r *http.Request) error {
	i, err := s.pathInstrument(r)
	if err != nil {
		return err
	}
	var in struct {
		State  *string         `json:"state"`
		Record json.RawMessage `json:"record"`
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	patch := store.InstrumentPatch{State: in.State, Actor: actor(r)}
	switch {
	case in.State == nil && len(in.Record) == 0:
		return invalid(Fault{"", "nothing to change", "send record or state"})
	case in.State != nil && *in.State != store.LibraryKept && *in.State != store.LibraryRetired:
		return invalid(Fault{"/state", fmt.Sprintf("%q is no state of an instrument in the register", *in.State), "kept or retired"})
	}
	if len(in.Record) > 0 {
		record, kind := i.Record, i.Record.Kind
		if err := recordOver(in.Record, &record); err != nil {
			return err
		}
		if record.Kind != kind {
			return invalid(Fault{"/record/kind", fmt.Sprintf("it is kept as %q and stays so", kind), "put another instrument into the register, and retire this one"})
		}
		patch.Record = &record
	}
	if i, err = s.store.UpdateInstrument(r.Context(), i.ID, patch); err != nil {
		return recordFault(err)
	}
	return writeJSON(w, http.StatusOK, registeredOf(i))
}

// touchedDoc is what an instrument that failed may have made wrong.
type touchedDoc struct {
	Failed *certificateDoc `json:"failed"` // null: it did not fail, and nothing is touched
	Good   *certificateDoc `json:"good"`   // the last good one before; null: none
	Jobs   []touchedJobDoc `json:"jobs"`
}

type touchedJobDoc struct {
	ID        int64     `json:"id"`
	Name      string    `json:"name"`
	Sweeps    []int64   `json:"sweeps"`
	Cylinders []int     `json:"cylinders"`
	Reports   []int64   `json:"reports"`
	FirstAt   time.Time `json:"first_at"`
	LastAt    time.Time `json:"last_at"`
}

func (s *Server) getTouched(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	t, err := s.store.Touched(r.Context(), id)
	if err != nil {
		return err
	}
	d := touchedDoc{Failed: certificateOrNull(t.Failed), Good: certificateOrNull(t.Good), Jobs: []touchedJobDoc{}}
	for _, j := range t.Jobs {
		d.Jobs = append(d.Jobs, touchedJobDoc{j.ID, j.Name, append([]int64{}, j.Sweeps...), append([]int{}, j.Cylinders...), append([]int64{}, j.Reports...), j.First, j.Last})
	}
	return writeJSON(w, http.StatusOK, d)
}
