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
	for _, c := range cals {
		if c.Kind != KindCheck {
			continue
		}
		points, err := calibrationPoints(ctx, s.readers, c.ID)
		if err != nil {
			return nil, err
		}
		for _, p := range points {
			if !p.TakenBack {
				checks = append(checks, Check{Calibration: c.ID, Point: p.ID, Reference: c.Reference, ReferenceMM: p.ReferenceMM, ReadingMM: p.ReadingMM,
					DeviationMM: p.ErrorMM(), Raw: p.Raw, MeasuredBy: c.Conditions.MeasuredBy, Simulated: c.Simulated, At: p.At})
			}
		}
	}
	return checks, err
}
