package store

import (
	"context"
	"errors"
	"fmt"
	"time"

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
	if p := n.Conditions.Problems(); len(p) > 0 {
		return Calibration{}, false, fmt.Errorf("create calibration: conditions: %w", p)
	}
	texts := map[string]string{}
	if err := errors.Join(putJSON(texts, "plan", n.Plan), putJSON(texts, "conditions", n.Conditions)); err != nil {
		return Calibration{}, false, fmt.Errorf("create calibration: %w: %w", ErrInvalid, err)
	}
	request := requestHash(n.Kind, fmt.Sprint(n.Instrument, n.Reference), texts)
	id, replayed, err := s.addOnce(ctx, tCalibration, n.IdempotencyKey, request, func(c *change, id int64) error {
		reference, err := c.pair(n)
		if err != nil {
			return err
		}
		c.add(tCalibration, id, n.Instrument, reference, n.Kind, texts["plan"], texts["conditions"], n.Actor, orNull(n.IdempotencyKey), request)
		return nil
	})
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
	if r.State == LibraryRetired {
		return nil, fmt.Errorf("%w: reference %d is retired; take it back into the register first, or name another", ErrInvalid, r.ID)
	}
	return r.ID, nil
}
