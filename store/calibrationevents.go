package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"crownmark/acquire"
)

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
