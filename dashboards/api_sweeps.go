package dashboards

import (
	"fmt"
	"net/http"
	"time"
	"unicode/utf8"

	"crownmark/fit/sweepcsv"
	"crownmark/store"
)

type sweepDoc struct {
	ID        int64      `json:"id"`
	Job       int64      `json:"job"`
	Cylinder  int        `json:"cylinder"`
	Indicator string     `json:"indicator"`
	State     string     `json:"state"`
	Cause     string     `json:"cause"`
	Direction *int       `json:"direction"` // null while it has not ended
	Mount     int        `json:"mount"`
	Setup     int        `json:"setup"`
	Zeroing   int        `json:"zeroing"`
	Readings  int64      `json:"readings"`
	AngleUDeg *float64   `json:"angle_u_deg"` // null: an encoder told the angles
	RestMM    *float64   `json:"rest_mm"`     // null: the resting stop was not seen
	SetAside  bool       `json:"set_aside"`
	Reason    string     `json:"reason"`
	Simulated bool       `json:"simulated"`
	StartedAt time.Time  `json:"started_at"`
	EndedAt   *time.Time `json:"ended_at"`
}

func sweepOf(w store.Sweep) sweepDoc {
	d := sweepDoc{ID: w.ID, Job: w.Job, Cylinder: w.Cylinder, Indicator: w.Indicator, State: w.State, Cause: w.Cause,
		Mount: w.Mount, Setup: w.Setup, Zeroing: w.Zeroing, Readings: w.Readings, RestMM: w.RestMM, SetAside: w.SetAside, Reason: w.Reason,
		Simulated: w.Simulated, StartedAt: w.StartedAt.UTC(), EndedAt: w.EndedAt}
	if w.Direction != 0 {
		d.Direction = &w.Direction
	}
	if w.AngleUDeg > 0 {
		d.AngleUDeg = &w.AngleUDeg
	}
	return d
}

func (s *Server) getSweeps(w http.ResponseWriter, r *http.Request) error {
	return listOfJob(s, w, r, s.store.Sweeps, sweepOf)
}

func (s *Server) getSweep(w http.ResponseWriter, r *http.Request) error {
	sweep, err := s.sweep(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, sweepOf(sweep))
}

func (s *Server) sweep(r *http.Request) (store.Sweep, error) {
	id, err := pathID(r)
	if err != nil {
		return store.Sweep{}, err
	}
	return s.store.Sweep(r.Context(), id)
}

// patchSweep gives a sweep to another cylinder, or takes it back in (or sets
// it aside); one of them at a time, since each is kept as an event of its own.
func (s *Server) patchSweep(w http.ResponseWriter, r *http.Request) error {
	sweep, err := s.sweep(r)
	if err != nil {
		return err
	}
	var in struct {
		Cylinder *int   `json:"cylinder"`
		SetAside *bool  `json:"set_aside"`
		Reason   string `json:"reason"`
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	if fault := checkReason("/reason", in.Reason); fault != nil {
		return invalid(*fault)
	}
	switch {
	case (in.Cylinder == nil) == (in.SetAside == nil):
		return invalid(Fault{"", "not exactly one change", "send either cylinder or set_aside"})
	case in.Cylinder != nil:
		sweep, err = s.assign(r, sweep, *in.Cylinder)
	case *in.SetAside:
		sweep, err = s.store.SetAside(r.Context(), sweep.ID, in.Reason, actor(r))
	default:
		sweep, err = s.store.Restore(r.Context(), sweep.ID, actor(r))
	}
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, sweepOf(sweep))
}

func (s *Server) assign(r *http.Request, sweep store.Sweep, cylinder int) (store.Sweep, error) {
	job, err := s.store.Job(r.Context(), sweep.Job)
	if err != nil {
		return sweep, err
	}
	if _, ok := job.Engine.Top(cylinder); !ok {
		return sweep, invalid(Fault{"/cylinder", fmt.Sprintf("the engine has no cylinder %d", cylinder), "cylinders: " + numbers(job)})
	}
	return s.store.Assign(r.Context(), sweep.ID, cylinder, actor(r))
}

// deleteSweep sets a sweep aside with ?reason=. Readings are kept; a second
// time changes nothing.
func (s *Server) deleteSweep(w http.ResponseWriter, r *http.Request) error {
	sweep, err := s.sweep(r)
	if err != nil {
		return err
	}
	reason := r.URL.Query().Get("reason")
	if fault := checkReason("?reason", reason); fault != nil {
		return invalid(*fault)
	}
	if !sweep.SetAside {
		if sweep, err = s.store.SetAside(r.Context(), sweep.ID, reason, actor(r)); err != nil {
			return err
		}
	}
	return writeJSON(w, http.StatusOK, sweepOf(sweep))
}

func checkReason(pointer, reason string) *Fault {
	if utf8.RuneCountInString(reason) > 500 || !utf8.ValidString(reason) {
		return &Fault{pointer, "longer than 500 characters, or not text", "send a short reason"}
	}
	return nil
}

// getSamples is one sweep's readings as a sweep file, with what they were
// derived from; `fit` reads it.
func (s *Server) getSamples(w http.ResponseWriter, r *http.Request) error {
	sweep, err := s.sweep(r)
	if err != nil {
		return err
	}
	out := csvTo(w, fmt.Sprintf("sweep-%d.csv", sweep.ID))
	rows := sweepcsv.NewWriter(out, true)
	if sweep.RestMM != nil {
		rows.WithRest()
	}
	err = s.store.Samples(r.Context(), sweep.ID, func(x store.Sample) error {
		row := sweepcsv.Row{Sweep: &sweep.ID, Cylinder: &sweep.Cylinder, TS: x.TS, AngleDeg: x.AngleDeg, HeightMM: x.HeightMM, Indicator: sweep.Indicator,
			Mount: sweep.Mount, Setup: sweep.Setup, Zeroing: sweep.Zeroing, RestMM: sweep.RestMM, Count: x.Count, Raw: x.Raw, ArrivalS: x.ArrivalS, Burst: x.Burst, Simulated: sweep.Simulated}
		if sweep.AngleUDeg > 0 {
			row.AngleUDeg = &sweep.AngleUDeg
		}
		return rows.Write(row)
	})
	if err == nil {
		err = rows.Flush()
	}
	return out.end(err)
}

func (s *Server) getExport(w http.ResponseWriter, r *http.Request) error {
	job, err := s.pathJob(r)
	if err != nil {
		return err
	}
	out := csvTo(w, fmt.Sprintf("job-%d.csv", job.ID))
	return out.end(s.store.Export(r.Context(), job.ID, out))
}

// csvOut sends a CSV file whose head is written with its first bytes, so that
// an early failure can still be a problem document, and a late one cuts the
// connection instead of looking whole.
type csvOut struct {
	w     http.ResponseWriter
	name  string
	begun bool
}

func csvTo(w http.ResponseWriter, name string) *csvOut { return &csvOut{w: w, name: name} }

func (o *csvOut) Write(b []byte) (int, error) {
	o.begin()
	return o.w.Write(b)
}

func (o *csvOut) begin() {
	if o.begun {
		return
	}
	o.begun = true
	o.w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	o.w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", o.name))
	o.w.Header().Set("Cache-Control", "no-store")
}

func (o *csvOut) end(err error) error {
	switch {
	case err == nil:
		o.begin()
		return nil
	case o.begun:
		panic(http.ErrAbortHandler)
	default:
		return err
	}
}
