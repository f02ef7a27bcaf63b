package store

import (
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
)

const calibrationQuery = `SELECT c.id, c.instrument, coalesce(c.reference, 0), c.kind, c.plan_json,
	coalesce((SELECT value FROM calibration_event WHERE calibration = c.id AND kind = 'conditions' ORDER BY id DESC LIMIT 1), c.conditions_json),
	c.actor, coalesce((SELECT max(g.session) FROM calibration_event u JOIN ledger g ON g.id = u.ledger WHERE u.calibration = c.id AND u.kind = 'taken_up'), l.session), l.unix_ns, coalesce(e.value, ''), m.unix_ns,
	o.simulated OR EXISTS (SELECT 1 FROM calibration_point p JOIN stream t ON t.id = p.stream JOIN session z ON z.id = t.session
		WHERE p.calibration = c.id AND z.simulated)
	FROM calibration c JOIN ledger l ON l.id = c.ledger JOIN session o ON o.id = l.session
	LEFT JOIN calibration_event e ON e.id = (SELECT min(id) FROM calibration_event WHERE calibration = c.id AND kind = 'ended')
	LEFT JOIN ledger m ON m.id = e.ledger `

func (s *Store) scanCalibration(row scanner) (c Calibration, err error) {
	var plan, conditions []byte
	var session, madeNS int64
	var endedNS *int64
	if err := row.Scan(&c.ID, &c.Instrument, &c.Reference, &c.Kind, &plan, &conditions, &c.Actor, &session, &madeNS, &c.Cause, &endedNS, &c.Simulated); err != nil {
		return c, err
	}
	c.CreatedAt = time.Unix(0, madeNS).UTC()
	switch {
	case endedNS != nil:
		at := time.Unix(0, *endedNS).UTC()
		c.EndedAt, c.State = &at, CalibrationEnded
	case session == s.session: // never so for who only looks on
		c.State = CalibrationRunning
	default:
		c.State = CalibrationUnfinished
	}
	if err := errors.Join(json.Unmarshal(plan, &c.Plan), json.Unmarshal(conditions, &c.Conditions)); err != nil {
		return c, fmt.Errorf("calibration %d cannot be read; run `crownmark verify`: %w", c.ID, err)
	}
	return c, nil
}

func (s *Store) loadCalibration(ctx context.Context, q querier, id int64) (Calibration, error) {
	c, err := s.scanCalibration(q.QueryRowContext(ctx, calibrationQuery+"WHERE c.id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return Calibration{}, fmt.Errorf("calibration %d: %w", id, ErrNotFound)
	}
	if err == nil {
		c.Points, err = calibrationPoints(ctx, q, id)
	}
	return c, err
}

// Calibration returns one calibration with all its points in the order in which
// they were taken, those taken back too. Errors: ErrNotFound.
func (s *Store) Calibration(ctx context.Context, id int64) (c Calibration, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		c, err = s.loadCalibration(ctx, tx, id)
		return err
	})
	return c, err
}

// Calibrations returns a page of an instrument's calibrations and checks by id,
// without their points, and the After of the next page, nil at the end.
// Errors: ErrNotFound.
func (s *Store) Calibrations(ctx context.Context, instrument int64, p Page) (list []Calibration, next *int64, err error) {
	if _, err := loadRegistered(ctx, s.readers, instrument); err != nil {
		return nil, nil, err
	}
	list, err = collect(ctx, s.readers, s.scanCalibration, calibrationQuery+"WHERE c.instrument = ? AND c.id > ? ORDER BY c.id LIMIT ?", instrument, p.After, p.limit()+1)
	list, next = cut(list, p, func(x *Calibration) *int64 { return &x.ID })
	return list, next, err
}

// pointQuery joins each point with its reading.
const pointQuery = `SELECT p.id, p.calibration, p.run, p.direction, p.reference_mm, p.stream, p.seq,
	EXISTS (SELECT 1 FROM calibration_event WHERE calibration = p.calibration AND kind = 'taken_back' AND point = p.id),
	r.t_ns + z.start_unix_ns, r.ticks, r.decimals, r.unit, r.raw
	FROM calibration_point p JOIN stream t ON t.id = p.stream JOIN session z ON z.id = t.session
	LEFT JOIN reading r ON r.stream = p.stream AND r.seq = p.seq `

// keptPoint is a point with what it stands on.
type keptPoint struct {
	CalibrationPoint
	calibration   int64
	unixNS, ticks *int64 // nil: the reading is gone
	decimals      *int8
	unit          *acquire.Unit
	raw           []byte
}

func scanPoint(row scanner) (k keptPoint, err error) {
	return k, row.Scan(&k.ID, &k.calibration, &k.Run, &k.Direction, &k.ReferenceMM, &k.Stream, &k.Seq, &k.TakenBack, &k.unixNS, &k.ticks, &k.decimals, &k.unit, &k.raw)
}

// calibrationPoints are a calibration's points.
func calibrationPoints(ctx context.Context, q querier, calibration int64) ([]CalibrationPoint, error) {
	list, err := pointsWhere(ctx, q, "WHERE p.calibration = ? ORDER BY p.id", calibration)
	points := make([]CalibrationPoint, 0, len(list))
	for _, k := range list {
		points = append(points, k.CalibrationPoint)
	}
	return points, err
}

// pointsWhere are points, their readings in mm as the streams' configurations
// have them.
func pointsWhere(ctx context.Context, q querier, where string, args ...any) ([]keptPoint, error) {
	list, err := collect(ctx, q, scanPoint, pointQuery+where, args...)
	if err != nil {
		return nil, err
	}
	known := map[int64]instrument{}
	for n := range list {
		k := &list[n]
		if k.ticks == nil {
			return nil, fmt.Errorf("calibration %d, point %d: its reading, stream %d seq %d, is not there; run `crownmark verify`", k.calibration, k.ID, k.Stream, k.Seq)
		}
		i, ok := known[k.Stream]
		if !ok {
			if i, err = loadInstrument(ctx, q, k.Stream); err != nil {
				return nil, err
			}
			known[k.Stream] = i
		}
		k.ReadingMM = i.HeightMM(acquire.Reading{Ticks: *k.ticks, Decimals: *k.decimals, Unit: *k.unit})
		k.Raw, k.Indicator, k.At = i.RawText(k.raw), i.Name, time.Unix(0, *k.unixNS).UTC()
	}
	return list, nil
}

// ErrorMM is reading − reference, without what floating point adds to it.
func (p CalibrationPoint) ErrorMM() float64 {
	return math.Round((p.ReadingMM-p.ReferenceMM)*1e9) / 1e9
}

// Counted are the points that count, as the evaluation takes them.
func (c Calibration) Counted() (points []calibrate.Point) {
	for _, p := range c.Points {
		if !p.TakenBack {
			points = append(points, calibrate.Point{Run: p.Run, Direction: p.Direction, ReferenceMM: p.ReferenceMM, ReadingMM: p.ReadingMM})
		}
	}
	return points
}

// CalibrationStanding is a calibration as it stood after one commit, with what
// the register said then.
type CalibrationStanding struct {
	Ledger      int64
	LedgerHash  string // hex
	Calibration Calibration
	Instrument  Instrument  // without its standing, which goes with the time
	Reference   *Instrument // nil: nobody said
}

// CalibrationStanding gathers a calibration as it stood after the commit ledger;
// 0: after the last. Errors: ErrNotFound, for a calibration or a ledger that was
// not there.
func (s *Store) CalibrationStanding(ctx context.Context, id, ledger int64) (st CalibrationStanding, err error) {
	err = s.asOf(ctx, ledger, func(tx *sql.Tx, at int64, sum []byte) error {
		st = CalibrationStanding{Ledger: at, LedgerHash: hex.EncodeToString(sum)}
		if st.Calibration, err = s.loadCalibration(ctx, tx, id); err != nil {
			return err
		}
		if st.Instrument, err = loadRegistered(ctx, tx, st.Calibration.Instrument); err != nil || st.Calibration.Reference == 0 {
			return err
		}
		r, err := loadRegistered(ctx, tx, st.Calibration.Reference)
		st.Reference = &r
		return err
	})
	return st, err
}
