package dashboards

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/store"
)

// handDoc is a sweep that a person reads off degree marks, with its pairs.
type handDoc struct {
	sweepDoc
	Pairs       []pairDoc `json:"pairs"`
	HeightAgeS  *float64  `json:"height_age_s"`
	FewestToFit int       `json:"fewest_to_fit"`
}

// pairDoc is a degree mark and the height there.
type pairDoc struct {
	Seq       int64     `json:"seq"`
	MarkDeg   float64   `json:"mark_deg"`
	HeightMM  float64   `json:"height_mm"`
	RawMark   string    `json:"raw_mark"`
	RawHeight string    `json:"raw_height"`
	TakenBack bool      `json:"taken_back"`
	At        time.Time `json:"at"`
}

func (s *Server) handOf(r *http.Request, id int64) (handDoc, error) {
	w, list, err := s.store.HandReadings(r.Context(), id)
	return handDocOf(w, list), err
}

func handDocOf(w store.Sweep, list []store.HandReading) handDoc {
	d := handDoc{sweepDoc: sweepOf(w), Pairs: make([]pairDoc, 0, len(list)), FewestToFit: fit.FewestMarks}
	for _, p := range list {
		d.Pairs = append(d.Pairs, pairDoc{p.Seq, p.MarkDeg, p.HeightMM, p.Mark, p.Height, p.TakenBack, p.At})
	}
	return d
}

func (s *Server) getHand(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	d, err := s.handOf(r, id)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, d)
}

// postHand begins a sweep that a person reads; one that is being read ends.
func (s *Server) postHand(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var in struct {
		Cylinder    int     `json:"cylinder"`
		Indicator   string  `json:"indicator"`
		Direction   int     `json:"direction"`
		AngleUDeg   float64 `json:"angle_u_deg"`
		DamperMoved bool    `json:"damper_moved"`
		ZeroedOn    string  `json:"zeroed_on"`
	}
	return s.post(w, r, &in, func() (string, any, error) {
		job, err := s.openJob(r, id)
		if err != nil {
			return "", nil, err
		}
		if _, ok := job.Engine.Top(in.Cylinder); !ok {
			return "", nil, invalid(Fault{"/cylinder", fmt.Sprintf("the engine has no cylinder %d", in.Cylinder), "cylinders: " + numbers(job)})
		}
		if in.ZeroedOn != "" && !zeroPlace.MatchString(in.ZeroedOn) {
			return "", nil, invalid(notAPlace("/zeroed_on", in.ZeroedOn))
		}
		return s.handAnswer(r)(s.bench.BeginHand(r.Context(), acquire.BeginHand{Job: id, Cylinder: in.Cylinder, Indicator: in.Indicator,
			Direction: in.Direction, AngleUDeg: in.AngleUDeg, DamperMoved: in.DamperMoved, ZeroedOn: in.ZeroedOn}))
	})
}

// handAnswer answers with the whole sweep as it is kept now.
func (s *Server) handAnswer(r *http.Request) func(acquire.HandSweep, error) (string, any, error) {
	return func(h acquire.HandSweep, err error) (string, any, error) {
		if err != nil {
			return "", nil, handFault(err)
		}
		d, err := s.handOf(r, h.ID)
		if n := len(h.Taken); n > 0 {
			d.HeightAgeS = finite(h.Taken[n-1].AgeS)
		}
		return fmt.Sprintf("/api/v1/hand-sweeps/%d", h.ID), d, err
	}
}

// handFault points at what of the body cannot be so.
func handFault(err error) error {
	m, ok := errors.AsType[*acquire.Misread](err)
	if !ok {
		return err
	}
	pointer := map[string]string{"mark": "/mark_deg", "height": "/height_mm"}[m.Of]
	if pointer == "" {
		pointer = "/" + m.Of
	}
	return invalid(Fault{pointer, m.Detail, m.Fix})
}

// hand finds a hand sweep of a job that may still be worked on.
func (s *Server) hand(r *http.Request) (store.Sweep, error) {
	sweep, err := s.sweep(r)
	if err == nil && sweep.AngleUDeg == 0 {
		err = fmt.Errorf("sweep %d was not read off marks: %w", sweep.ID, store.ErrNotFound)
	}
	if err == nil {
		_, err = s.openJob(r, sweep.Job)
	}
	return sweep, err
}

// postHandReading takes one pair; without a height, what the live display shows.
func (s *Server) postHandReading(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		MarkDeg  json.Number  `json:"mark_deg"`
		HeightMM *json.Number `json:"height_mm"`
		HeightIn *json.Number `json:"height_in"`
	}
	return s.post(w, r, &in, func() (string, any, error) {
		sweep, err := s.hand(r)
		if err != nil {
			return "", nil, err
		}
		height := ""
		switch {
		case in.MarkDeg == "":
			return "", nil, invalid(Fault{"/mark_deg", "missing", "send what is written on the damper in degrees, negative before the top"})
		case in.HeightMM != nil && in.HeightIn != nil:
			return "", nil, invalid(Fault{"/height_in", "there is a height_mm too", "send the one that the display shows, or neither to take the live one"})
		case in.HeightMM != nil:
			height = in.HeightMM.String() + " mm"
		case in.HeightIn != nil:
			height = in.HeightIn.String() + " in"
		}
		location, doc, err := s.handAnswer(r)(s.bench.ReadHand(r.Context(), sweep.ID, in.MarkDeg.String(), height))
		if p, ok := errors.AsType[*Problem](err); ok && in.HeightIn != nil {
			for i := range p.Errors {
				p.Errors[i].Pointer = strings.Replace(p.Errors[i].Pointer, "/height_mm", "/height_in", 1)
			}
		}
		return location, doc, err
	})
}

// postHandTakeBack leaves the last pair out; its readings are kept.
func (s *Server) postHandTakeBack(w http.ResponseWriter, r *http.Request) error {
	return s.post(w, r, &struct{}{}, func() (string, any, error) {
		sweep, err := s.hand(r)
		if err != nil {
			return "", nil, err
		}
		return s.handAnswer(r)(s.bench.TakeBackHand(r.Context(), sweep.ID))
	})
}

// postHandEnd ends the sweep. One that has ended stays as it is.
func (s *Server) postHandEnd(w http.ResponseWriter, r *http.Request) error {
	return s.post(w, r, &struct{}{}, func() (string, any, error) {
		sweep, err := s.hand(r)
		if err != nil {
			return "", nil, err
		}
		h := acquire.HandSweep{ID: sweep.ID}
		if sweep.State == store.SweepRunning {
			h, err = s.bench.EndHand(r.Context(), sweep.ID)
		}
		return s.handAnswer(r)(h, err)
	})
}
