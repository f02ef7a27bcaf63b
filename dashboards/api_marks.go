package dashboards

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"time"

	"crownmark/store"
)

// markDoc is one press of a damper mark.
type markDoc struct {
	ID       *int64    `json:"id"` // null: kept, but not found again
	Job      int64     `json:"job"`
	MarkDeg  float64   `json:"mark_deg"`
	Approach *int      `json:"approach"`
	SetAside bool      `json:"set_aside"`
	Reason   string    `json:"reason"`
	At       time.Time `json:"at"`
}

func markOf(m store.Mark) markDoc {
	d := markDoc{ID: positive(m.ID), Job: m.Job, MarkDeg: m.MarkDeg, SetAside: m.SetAside, Reason: m.Reason, At: m.At.UTC()}
	if m.Approach != 0 {
		d.Approach = &m.Approach
	}
	return d
}

func (s *Server) postMark(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Job     int64    `json:"job"`
		MarkDeg *float64 `json:"mark_deg"`
	}
	return s.post(w, r, &in, func() (string, any, error) {
		if in.MarkDeg == nil || math.Abs(*in.MarkDeg) > 360 {
			return "", nil, invalid(Fault{"/mark_deg", "missing, or beyond a turn", "send what is written on the damper in degrees, negative before the top"})
		}
		if _, err := s.openJob(r, in.Job); err != nil {
			return "", nil, err
		}
		m, err := s.bench.Mark(r.Context(), in.Job, *in.MarkDeg)
		if err != nil {
			return "", nil, err
		}
		kept, err := s.store.MarkOf(r.Context(), m)
		if errors.Is(err, store.ErrNotFound) {
			kept, err = store.Mark{Job: m.Job, MarkDeg: m.MarkDeg, Approach: m.Approach, At: time.Now()}, nil
			return fmt.Sprintf("/api/v1/jobs/%d/marks", in.Job), markOf(kept), nil
		}
		return fmt.Sprintf("/api/v1/marks/%d", kept.ID), markOf(kept), err
	})
}

func (s *Server) getMarks(w http.ResponseWriter, r *http.Request) error {
	return listOfJob(s, w, r, s.store.Marks, markOf)
}

func (s *Server) getMark(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	m, err := s.store.Mark(r.Context(), id)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, markOf(m))
}

// deleteMark sets a press aside with ?reason=. The press is kept; a second time
// changes nothing.
func (s *Server) deleteMark(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	reason := r.URL.Query().Get("reason")
	if fault := checkReason("?reason", reason); fault != nil {
		return invalid(*fault)
	}
	m, err := s.store.SetMarkAside(r.Context(), id, reason, actor(r))
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, markOf(m))
}

// patchMark sets a press aside, or takes it back in.
func (s *Server) patchMark(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var in struct {
		SetAside *bool  `json:"set_aside"`
		Reason   string `json:"reason"`
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	if fault := checkReason("/reason", in.Reason); fault != nil {
		return invalid(*fault)
	}
	var m store.Mark
	switch {
	case in.SetAside == nil:
		return invalid(Fault{"/set_aside", "missing", "send true to set the press aside, false to take it back in"})
	case *in.SetAside:
		m, err = s.store.SetMarkAside(r.Context(), id, in.Reason, actor(r))
	default:
		m, err = s.store.RestoreMark(r.Context(), id, actor(r))
	}
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, markOf(m))
}
