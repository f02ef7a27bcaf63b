package store

import (
	"context"
	"time"
)

// Check is one point of a check of an instrument.
type Check struct {
	Calibration, Point     int64
	Reference              int64 // 0: nobody said
	ReferenceMM, ReadingMM float64
	DeviationMM            float64 // reading − reference, as the display has it
	Raw                    string
	MeasuredBy             string
	Simulated              bool
	At                     time.Time
}

// Checks are the points of an instrument's checks that count, in the order in
// which they were taken. Errors: ErrNotFound.
func (s *Store) Checks(ctx context.Context, instrument int64) (checks []Check, err error) {
	cals, err := All(func(p Page) ([]Calibration, *int64, error) { return s.Calibrations(ctx, instrument, p) })
	if err != nil {
		return nil, err
	}
	of := map[int64]Calibration{}
	for _, c := range cals {
		of[c.ID] = c
	}
	points, err := pointsWhere(ctx, s.readers, "WHERE p.calibration IN (SELECT id FROM calibration WHERE instrument = ? AND kind = 'check') ORDER BY p.id", instrument)
	for _, p := range points {
		if c := of[p.calibration]; !p.TakenBack {
			checks = append(checks, Check{Calibration: c.ID, Point: p.ID, Reference: c.Reference, ReferenceMM: p.ReferenceMM, ReadingMM: p.ReadingMM,
				DeviationMM: p.ErrorMM(), Raw: p.Raw, MeasuredBy: c.Conditions.MeasuredBy, Simulated: c.Simulated, At: p.At})
		}
	}
	return checks, err
}

// lastCheck is the last point of an instrument's checks that counts; nil: none.
func lastCheck(ctx context.Context, q querier, instrument int64) (*CalibrationPoint, error) {
	list, err := pointsWhere(ctx, q, `WHERE p.id = (SELECT max(o.id) FROM calibration_point o JOIN calibration c ON c.id = o.calibration
		WHERE c.instrument = ? AND c.kind = 'check' AND NOT EXISTS (SELECT 1 FROM calibration_event WHERE calibration = c.id AND kind = 'taken_back' AND point = o.id))`, instrument)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	return &list[0].CalibrationPoint, nil
}
