package dashboards

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"crownmark/acquire"
	"crownmark/store"
)

// postCalibrationReading takes the next point now: as typed, or what the display shows.
func (s *Server) postCalibrationReading(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Reading string `json:"reading"`
	}
	return s.post(w, r, &in, func() (string, any, error) {
		id, err := pathID(r)
		if err != nil {
			return "", nil, err
		}
		_, err = s.bench.TakeStand(r.Context(), id, strings.TrimSpace(in.Reading))
		return s.calibrationAnswer(r, id, err)
	})
}

// calibrationAnswer answers with the whole calibration as it is kept now.
func (s *Server) calibrationAnswer(r *http.Request, id int64, err error) (string, any, error) {
	if err != nil {
		return "", nil, s.notRun(r, id, standFault(err))
	}
	cal, err := s.store.Calibration(r.Context(), id)
	return fmt.Sprintf("/api/v1/calibrations/%d", id), s.runOf(cal), err
}

// notRun tells a calibration that is not there, or has ended, from one that
// waits to be taken up again.
func (s *Server) notRun(r *http.Request, id int64, err error) error {
	if !errors.Is(err, acquire.ErrNoStand) {
		return err
	}
	cal, missing := s.store.Calibration(r.Context(), id)
	switch {
	case missing != nil:
		return missing
	case cal.State == store.CalibrationEnded:
		return fmt.Errorf("calibration %d: %w", id, store.ErrCalibrationEnded)
	}
	return err
}

// postCalibrationTakeBack leaves the last point out; its reading is kept.
func (s *Server) postCalibrationTakeBack(w http.ResponseWriter, r *http.Request) error {
	return s.postBare(w, r, func(id int64) error {
		_, err := s.bench.TakeBackStand(r.Context(), id, actor(r))
		return err
	})
}

// postCalibrationEnd ends it, finished or not. One that has ended stays as it is.
func (s *Server) postCalibrationEnd(w http.ResponseWriter, r *http.Request) error {
	return s.postBare(w, r, func(id int64) error {
		_, err := s.bench.EndStand(r.Context(), id, actor(r))
		if errors.Is(err, acquire.ErrNoStand) {
			_, err = s.store.EndCalibration(r.Context(), id, "", actor(r))
		}
		return err
	})
}

// postCalibrationResume takes up a calibration that a restart cut off, behind the
// points that were kept.
func (s *Server) postCalibrationResume(w http.ResponseWriter, r *http.Request) error {
	return s.postBare(w, r, func(id int64) error {
		cal, err := s.store.Calibration(r.Context(), id)
		if err != nil || s.standNowOf(id) != nil {
			return err
		}
		if cal.State == store.CalibrationEnded {
			return fmt.Errorf("calibration %d: %w", id, store.ErrCalibrationEnded)
		}
		var reference store.InstrumentRecord
		if cal.Reference != 0 {
			against, err := s.store.Instrument(r.Context(), cal.Reference)
			if err != nil {
				return err
			}
			reference = against.Record
		}
		return s.lead(r, cal, reference, nil, true)
	})
}

// postBare is post for what needs no body.
func (s *Server) postBare(w http.ResponseWriter, r *http.Request, act func(id int64) error) error {
	if r.ContentLength == 0 {
		r.Header.Set("Content-Type", "application/json")
		r.Body = io.NopCloser(strings.NewReader("{}"))
	}
	return s.post(w, r, &struct{}{}, func() (string, any, error) {
		id, err := pathID(r)
		if err == nil {
			err = act(id)
		}
		return s.calibrationAnswer(r, id, err)
	})
}

// runOf is a calibration with what the bench makes of it.
func (s *Server) runOf(cal store.Calibration) calibrationDoc {
	d := wholeCalibrationOf(cal)
	d.Stand = s.standNowOf(cal.ID)
	return d
}
