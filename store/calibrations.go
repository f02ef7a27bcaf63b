package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
)

// Kinds of calibrations.
const (
	KindCalibration = "calibration" // a whole run of points; a certificate may come of it
	KindCheck       = "check"       // a point or a few between two of them
)

// States of a calibration.
const (
	CalibrationRunning    = "running"
	CalibrationEnded      = "ended"
	CalibrationUnfinished = "unfinished" // the program stopped before it was ended
)

// PlanPoint is a point that is to be taken.
type PlanPoint struct {
	Run         int                 `json:"run"`
	Direction   calibrate.Direction `json:"direction"`
	ReferenceMM float64             `json:"reference_mm"`
}

// CalibrationPlan is how a calibration was meant.
type CalibrationPlan struct {
	Scheme      string      `json:"scheme"`
	Points      []PlanPoint `json:"points"` // in the order in which they are taken; none: as they come
	SteadyS     float64     `json:"steady_s"`
	WithinMM    float64     `json:"within_mm"`
	ByKey       bool        `json:"by_key"`
	Take        string      `json:"take,omitempty"` // one of acquire's TakeSteady …; "": as the indicator speaks
	LocalSpanMM float64     `json:"local_span_mm"`  // of the local error; 0: 1 mm
}

// CalibrationConditions are what is known beside the points. Nil: nobody noted it.
type CalibrationConditions struct {
	TemperatureC    *float64 `json:"temperature_c"`
	TemperatureU95C *float64 `json:"temperature_u95_c"`
	SoakMin         *float64 `json:"soak_min"` // how long all lay together before
	MeasuredBy      string   `json:"measured_by"`
	Notes           string   `json:"notes"`
}

// NewCalibration asks for a calibration; its points come with the bench's batches.
type NewCalibration struct {
	Instrument     int64
	Reference      int64 // 0: nobody said
	Kind           string
	Plan           CalibrationPlan
	Conditions     CalibrationConditions
	Actor          string
	IdempotencyKey string // "": none
}

// Calibration is one calibration as its events leave it.
type Calibration struct {
	ID                    int64
	Instrument, Reference int64 // Reference 0: nobody said
	Kind                  string
	State                 string // CalibrationRunning, CalibrationEnded or CalibrationUnfinished
	Cause                 string // why it ended, "" if it did not
	Plan                  CalibrationPlan
	Conditions            CalibrationConditions
	Actor                 string
	Simulated             bool // it, or a reading of it, is of a virtual bench
	CreatedAt             time.Time
	EndedAt               *time.Time
	Points                []CalibrationPoint // nil in a list
}

// CalibrationPoint is a point taken.
type CalibrationPoint struct {
	ID          int64
	Run         int
	Direction   calibrate.Direction
	ReferenceMM float64
	ReadingMM   float64
	Raw         string // the display's line, or as it was typed
	Indicator   string // the bench's name of what was read
	TakenBack   bool   // it does not count
	At          time.Time
	Stream, Seq int64 // of its reading
}

// CreateCalibration begins a calibration. The same key with the same request
// returns the first call's and replayed; with another request, ErrKeyReused.
// Errors: ErrNotFound, ErrInvalid.
func (s *Store) CreateCalibration(ctx context.Context, n NewCalibration) (cal Calibration, replayed bool, err error) {
	if n.Kind != KindCalibration && n.Kind != KindCheck {
		return Calibration{}, false, fmt.Errorf("create calibration: %w: kind %q; it is %q or %q", ErrInvalid, n.Kind, KindCalibration, KindCheck)
	}
	texts := map[string]string{}
	if err := errors.Join(putJSON(texts, "plan", n.Plan), putJSON(texts, "conditions", n.Conditions)); err != nil {
		return Calibration{}, false, fmt.Errorf("create calibration: %w: %w", ErrInvalid, err)
	}
	request := requestHash(n.Kind, fmt.Sprint(n.Instrument, n.Reference), texts)
	var id int64
	_, err = s.submit(ctx, func(c *change) (err error) {
		replayed = false
		if id, err = c.rowOfKey(tCalibration, n.IdempotencyKey, request); err != nil || id != 0 {
			replayed = err == nil
			return err
		}
		reference, err := c.pair(n)
		if err != nil {
			return err
		}
		if id, err = c.nextID(tCalibration); err != nil {
			return err
		}
		c.add(tCalibration, id, n.Instrument, reference, n.Kind, texts["plan"], texts["conditions"], n.Actor, orNull(n.IdempotencyKey), request)
		return nil
	}, nil)
	if err != nil {
		return Calibration{}, false, fmt.Errorf("create calibration: %w", err)
	}
	cal, err = s.Calibration(ctx, id)
	return cal, replayed, err
}

// pair checks that the one can be held against the other; NULL for no reference.
func (c *change) pair(n NewCalibration) (reference any, err error) {
	i, err := loadRegistered(context.Background(), c.tx, n.Instrument)
	if err != nil {
		return nil, err
	}
	if i.Record.Kind != RegisterIndicator {
		return nil, fmt.Errorf("%w: instrument %d is kept as %q; only an indicator is held against a reference, point by point", ErrInvalid, i.ID, i.Record.Kind)
	}
	if i.State == LibraryRetired {
		return nil, fmt.Errorf("%w: instrument %d is retired; take it back into the register first", ErrInvalid, i.ID)
	}
	if n.Reference == 0 {
		return nil, nil
	}
	r, err := loadRegistered(context.Background(), c.tx, n.Reference)
	if err != nil {
		return nil, fmt.Errorf("reference: %w", err)
	}
	if !r.Record.IsReference() {
		return nil, fmt.Errorf("%w: instrument %d is kept as %q; a reference is blocks or a head", ErrInvalid, r.ID, r.Record.Kind)
	}
	return r.ID, nil
}

// addPoints keeps what the bench took. A calibration that has ended takes none.
func (c *change) addPoints(b acquire.Batch) error {
	for _, p := range b.Points {
		if err := c.runningCalibration(p.Calibration); err != nil {
			return fmt.Errorf("point: %w", err)
		}
		if err := finite("reference_mm", p.ReferenceMM); err != nil {
			return err
		}
		id, err := c.nextID(tCalibrationPoint)
		if err != nil {
			return err
		}
		c.add(tCalibrationPoint, id, p.Calibration, p.Run, p.Direction, p.ReferenceMM, p.Stream, p.Seq)
	}
	return nil
}

func (c *change) addCalibrationEvents(b acquire.Batch) error {
	for _, e := range b.Calibrated {
		if err := c.runningCalibration(e.Calibration); err != nil {
			return fmt.Errorf("calibration event: %w", err)
		}
		var point any
		switch e.Kind {
		case acquire.CalibrationTakenBack:
			id, err := c.pointAt(e.Stream, e.Seq)
			if err != nil {
				return err
			}
			point = id
		case acquire.CalibrationEnded, acquire.CalibrationTakenUp:
		default:
			return fmt.Errorf("%w: calibration event %q", ErrInvalid, e.Kind)
		}
		if err := c.addCalibrationEvent(e.Calibration, e.Kind, point, "", e.Actor); err != nil {
			return err
		}
	}
	return nil
}

func (c *change) addCalibrationEvent(calibration int64, kind string, point any, value, actor string) error {
	id, err := c.nextID(tCalibrationEvent)
	if err != nil {
		return err
	}
	c.add(tCalibrationEvent, id, calibration, kind, point, value, actor)
	return nil
}

// pointAt is the point that stands on a reading, of this commit or kept.
func (c *change) pointAt(stream, seq int64) (id int64, err error) {
	const keyAt, streamAt, seqAt = 0, 6, 7 // columns of calibration_point
	for _, row := range c.rows[tCalibrationPoint] {
		if row[streamAt] == any(stream) && row[seqAt] == any(seq) {
			return row[keyAt].(int64), nil
		}
	}
	err = c.tx.QueryRow("SELECT id FROM calibration_point WHERE stream = ? AND seq = ?", stream, seq).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("point on stream %d seq %d: %w", stream, seq, ErrNotFound)
	}
	return id, err
}

// ErrCalibrationEnded: the calibration has ended and takes no more points.
var ErrCalibrationEnded = errors.New("the calibration has ended; begin another")

// runningCalibration refuses one that is not there or has ended.
func (c *change) runningCalibration(id int64) error {
	const kindAt, calibrationAt = 3, 2 // columns of calibration_event
	for _, row := range c.rows[tCalibrationEvent] {
		if row[calibrationAt] == any(id) && row[kindAt] == any(acquire.CalibrationEnded) {
			return fmt.Errorf("calibration %d: %w", id, ErrCalibrationEnded)
		}
	}
	var ended bool
	err := c.tx.QueryRow("SELECT EXISTS (SELECT 1 FROM calibration_event WHERE calibration = c.id AND kind = 'ended') FROM calibration c WHERE id = ?", id).Scan(&ended)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("calibration %d: %w", id, ErrNotFound)
	case err != nil:
		return err
	case ended:
		return fmt.Errorf("calibration %d: %w", id, ErrCalibrationEnded)
	}
	return nil
}

// EndCalibration ends a calibration that the bench does not end: one left
// unfinished. Again: no change. Errors: ErrNotFound.
func (s *Store) EndCalibration(ctx context.Context, id int64, cause, actor string) (Calibration, error) {
	return s.calibrationEvent(ctx, id, func(c *change, cal Calibration) error {
		if cal.EndedAt != nil {
			return nil
		}
		return c.addCalibrationEvent(id, acquire.CalibrationEnded, nil, cause, actor)
	})
}

// TakeBackPoint leaves a point out; its reading stays. One that has ended may
// still lose a point, before its certificate. Again: no change. Errors: ErrNotFound.
func (s *Store) TakeBackPoint(ctx context.Context, id, point int64, actor string) (Calibration, error) {
	return s.calibrationEvent(ctx, id, func(c *change, cal Calibration) error {
		for _, p := range cal.Points {
			if p.ID == point && p.TakenBack {
				return nil
			}
			if p.ID == point {
				return c.addCalibrationEvent(id, acquire.CalibrationTakenBack, point, "", actor)
			}
		}
		return fmt.Errorf("calibration %d: point %d: %w", id, point, ErrNotFound)
	})
}

// SetConditions notes conditions anew. The same: no change. Errors: ErrNotFound.
func (s *Store) SetConditions(ctx context.Context, id int64, n CalibrationConditions, actor string) (Calibration, error) {
	text, err := json.Marshal(n)
	if err != nil {
		return Calibration{}, fmt.Errorf("calibration %d: %w: %w", id, ErrInvalid, err)
	}
	return s.calibrationEvent(ctx, id, func(c *change, cal Calibration) error {
		before, err := json.Marshal(cal.Conditions)
		if err != nil || string(before) == string(text) {
			return err
		}
		return c.addCalibrationEvent(id, "conditions", nil, string(text), actor)
	})
}

func (s *Store) calibrationEvent(ctx context.Context, id int64, op func(*change, Calibration) error) (Calibration, error) {
	_, err := s.submit(ctx, func(c *change) error {
		cal, err := s.loadCalibration(context.Background(), c.tx, id)
		if err != nil {
			return err
		}
		return op(c, cal)
	}, nil)
	if err != nil {
		return Calibration{}, err
	}
	return s.Calibration(ctx, id)
}
