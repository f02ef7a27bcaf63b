package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"
)

// span is what a sweep covers, and what its events made of it.
type span struct {
	Sweep
	session          int64
	indStream        int64
	encStream        int64
	indFrom, indTo   int64 // seqs, inclusive; indTo of a sweep without end is its stream's last
	encFrom, encTo   int64
	ended            bool
	minSpanDeg       *float64 // what the detector was told
	reclockDeg       *float64 // how the adapter stood turned on the crank; set by loadReclock
	firstNS, lastNS  int64    // of the indicator's readings; 0 with none
	deckZero         bool
	ledger           int64  // that brought its begin
	identity         string // of the device behind the indicator's port
	encName          string // the encoder's stream, and the device behind its port
	encIdentity      string
	sessionStartUnix int64
}

// spanQuery lists sweeps as their events leave them. A sweep without an end
// covers all that its stream brought, up to the next sweep there.
//
// A datum counts from its reading on; a sweep takes those in force at its first
// reading, or the first to come where a stream has none before.
const spanQuery = `SELECT w.id, w.job, w.indicator, w.ind_stream, w.enc_stream, w.ind_from, w.enc_from,
	coalesce((SELECT cylinder FROM sweep_event WHERE sweep = w.id AND kind = 'assigned' ORDER BY id DESC LIMIT 1), w.cylinder),
	e.sweep IS NOT NULL, coalesce(e.cause, ''),
	coalesce(e.direction, 0) * CASE WHEN coalesce(json_extract(k.config_json, '$.angle_u_deg'), 0) > 0 THEN 1
		ELSE coalesce((SELECT sign FROM direction WHERE job = w.job ORDER BY id DESC LIMIT 1), 1) END,
	coalesce(json_extract(k.config_json, '$.angle_u_deg'), 0),
	coalesce(e.ind_to, (SELECT min(n.ind_from) - 1 FROM sweep n WHERE n.ind_stream = w.ind_stream AND n.ind_from > w.ind_from), 9223372036854775807),
	coalesce(e.enc_to, 9223372036854775807),
	coalesce((SELECT CASE kind WHEN 'set_aside' THEN 1 ELSE 0 END FROM sweep_event WHERE sweep = w.id AND kind IN ('set_aside', 'restored') ORDER BY id DESC LIMIT 1), 0),
	coalesce((SELECT reason FROM sweep_event WHERE sweep = w.id AND kind IN ('set_aside', 'restored') ORDER BY id DESC LIMIT 1), ''),
	coalesce((SELECT number FROM datum WHERE stream = w.enc_stream AND kind = 'mount' AND from_seq <= w.enc_from ORDER BY from_seq DESC, id DESC LIMIT 1),
	         (SELECT number FROM datum WHERE stream = w.enc_stream AND kind = 'mount' ORDER BY from_seq, id LIMIT 1), 0),
	coalesce((SELECT number FROM datum WHERE stream = w.ind_stream AND kind = 'setup' AND from_seq <= w.ind_from ORDER BY from_seq DESC, id DESC LIMIT 1),
	         (SELECT number FROM datum WHERE stream = w.ind_stream AND kind = 'setup' ORDER BY from_seq, id LIMIT 1), 0),
	coalesce((SELECT number FROM datum WHERE stream = w.ind_stream AND kind = 'zeroing' AND from_seq <= w.ind_from ORDER BY from_seq DESC, id DESC LIMIT 1),
	         (SELECT number FROM datum WHERE stream = w.ind_stream AND kind = 'zeroing' ORDER BY from_seq, id LIMIT 1), 0),
	json_extract(w.detector_json, '$.min_span_deg'), json_extract(w.detector_json, '$.rest_mm'),
	w.ledger, t.identity, k.name, k.identity, t.session, p.simulated, p.start_unix_ns,
	l.unix_ns - (l.t_ns - w.t_ns), m.unix_ns - (m.t_ns - e.t_ns)
	FROM sweep w
	JOIN stream t ON t.id = w.ind_stream JOIN session p ON p.id = t.session JOIN stream k ON k.id = w.enc_stream
	JOIN ledger l ON l.id = w.ledger
	LEFT JOIN sweep_end e ON e.sweep = w.id LEFT JOIN ledger m ON m.id = e.ledger `

func scanSpan(row scanner) (w span, err error) {
	var started int64
	var ended *int64
	err = row.Scan(&w.ID, &w.Job, &w.Indicator, &w.indStream, &w.encStream, &w.indFrom, &w.encFrom,
		&w.Cylinder, &w.ended, &w.Cause, &w.Direction, &w.AngleUDeg, &w.indTo, &w.encTo, &w.SetAside, &w.Reason,
		&w.Mount, &w.Setup, &w.Zeroing, &w.minSpanDeg, &w.RestMM, &w.ledger, &w.identity, &w.encName, &w.encIdentity, &w.session, &w.Simulated, &w.sessionStartUnix, &started, &ended)
	w.StartedAt = time.Unix(0, started).UTC()
	if ended != nil {
		t := time.Unix(0, *ended).UTC()
		w.EndedAt = &t
	}
	if !w.SetAside {
		w.Reason = ""
	}
	return w, err
}

// spans runs spanQuery and adds what the readings tell.
func (s *Store) spans(ctx context.Context, q querier, where string, args ...any) ([]span, error) {
	list, err := collect(ctx, q, scanSpan, spanQuery+where, args...)
	if err != nil {
		return nil, err
	}
	for i := range list {
		w := &list[i]
		w.State = s.sweepState(w)
		var first, last *int64
		err := q.QueryRowContext(ctx, `SELECT count(*), min(t_ns), max(t_ns) FROM reading WHERE stream = ? AND seq BETWEEN ? AND ?`,
			w.indStream, w.indFrom, w.indTo).Scan(&w.Readings, &first, &last)
		if err != nil {
			return nil, err
		}
		if w.AngleUDeg > 0 {
			back, err := takenBack(ctx, q, w.indStream)
			if err != nil {
				return nil, err
			}
			w.Readings -= int64(len(back))
		}
		if first != nil {
			w.firstNS, w.lastNS = *first, *last
		}
		err = q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM datum WHERE kind = 'zeroing' AND number = ? AND cause = 'zero:deck')`,
			w.Zeroing).Scan(&w.deckZero)
		if err != nil {
			return nil, err
		}
	}
	return list, nil
}

func (s *Store) sweepState(w *span) string {
	switch {
	case w.ended:
		return SweepComplete
	case w.session == s.session: // never so for who only looks on
		return SweepRunning
	}
	return SweepUnfinished
}

// Sweeps returns a page of a job's sweeps by id, and the After of the next
// page, nil at the end. ErrNotFound: no such job.
func (s *Store) Sweeps(ctx context.Context, job int64, p Page) (sweeps []Sweep, next *int64, err error) {
	if _, err := s.Job(ctx, job); err != nil {
		return nil, nil, err
	}
	list, err := s.spans(ctx, s.readers, "WHERE w.job = ? AND w.id > ? ORDER BY w.id LIMIT ?", job, p.After, p.limit()+1)
	if err != nil {
		return nil, nil, err
	}
	for i := range list {
		if i == p.limit() {
			next = &sweeps[i-1].ID
			break
		}
		sweeps = append(sweeps, list[i].Sweep)
	}
	return sweeps, next, nil
}

// Sweep returns one sweep, or ErrNotFound.
func (s *Store) Sweep(ctx context.Context, id int64) (Sweep, error) {
	w, err := s.span(ctx, s.readers, id)
	return w.Sweep, err
}

func (s *Store) span(ctx context.Context, q querier, id int64) (span, error) {
	list, err := s.spans(ctx, q, "WHERE w.id = ?", id)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("sweep %d: %w", id, ErrNotFound)
	}
	if err != nil {
		return span{}, err
	}
	return list[0], nil
}

// SetAside leaves a sweep out of the fit; its readings stay. Again: no change.
// Errors: ErrNotFound, ErrJobClosed.
func (s *Store) SetAside(ctx context.Context, id int64, reason, actor string) (Sweep, error) {
	return s.sweepEvent(ctx, id, func(c *change, w Sweep) error {
		if w.SetAside {
			return nil
		}
		return c.addSweepEvent(id, "set_aside", nil, reason, actor)
	})
}

// Restore takes a sweep that was set aside back in. Again: no change.
// Errors: ErrNotFound, ErrJobClosed.
func (s *Store) Restore(ctx context.Context, id int64, actor string) (Sweep, error) {
	return s.sweepEvent(ctx, id, func(c *change, w Sweep) error {
		if !w.SetAside {
			return nil
		}
		return c.addSweepEvent(id, "restored", nil, "", actor)
	})
}

// Assign says that a sweep was another cylinder's. Errors: ErrNotFound,
// ErrJobClosed, ErrInvalid for a cylinder the engine does not have.
func (s *Store) Assign(ctx context.Context, id int64, cylinder int, actor string) (Sweep, error) {
	return s.sweepEvent(ctx, id, func(c *change, w Sweep) error {
		if w.Cylinder == cylinder {
			return nil
		}
		job, err := loadJob(context.Background(), c.tx, w.Job)
		if err != nil {
			return err
		}
		if _, ok := job.Engine.Top(cylinder); !ok {
			return fmt.Errorf("sweep %d: %w: the engine of job %d has no cylinder %d", id, ErrInvalid, w.Job, cylinder)
		}
		return c.addSweepEvent(id, "assigned", cylinder, "", actor)
	})
}

func (s *Store) sweepEvent(ctx context.Context, id int64, op func(*change, Sweep) error) (Sweep, error) {
	_, err := s.submit(ctx, func(c *change) error {
		w, err := s.span(context.Background(), c.tx, id)
		if err != nil {
			return err
		}
		if err := c.openJob(w.Job); err != nil {
			return fmt.Errorf("sweep %d: %w", id, err)
		}
		return op(c, w.Sweep)
	}, nil)
	if err != nil {
		return Sweep{}, err
	}
	return s.Sweep(ctx, id)
}

func (c *change) addSweepEvent(sweep int64, kind string, cylinder any, reason, actor string) error {
	id, err := c.nextID(tSweepEvent)
	if err != nil {
		return err
	}
	c.add(tSweepEvent, id, sweep, kind, cylinder, reason, actor)
	return nil
}

// lastSeq is a seq beyond every reading.
const lastSeq = math.MaxInt64

// snapshot runs f on one state of the file, whatever is written meanwhile.
func (s *Store) snapshot(ctx context.Context, f func(*sql.Tx) error) (err error) {
	tx, err := s.readers.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() {
		if e := tx.Rollback(); !errors.Is(e, sql.ErrTxDone) {
			err = errors.Join(err, e)
		}
	}()
	return f(tx)
}
