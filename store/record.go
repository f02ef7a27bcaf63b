package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"crownmark/acquire"
)

var _ acquire.Recorder = (*Store)(nil)

// Clock marks: one a minute of recording, and one where the wall clock and the
// monotonic clock went apart by more than a tenth of a second.
const (
	clockMarkEveryNS = 60e9
	clockJumpNS      = 100e6
)

// Record keeps one batch, all of it or nothing, and returns the ledger of its
// commit after that reached the disk. ctx bounds the wait for a turn only.
//
// ErrStorageFull and SQLite's own failures may pass: hand in the same batch
// again. ErrInvalid, ErrNotFound, ErrJobClosed (a selection, mark or
// direction of a closed job) and ErrCalibrationEnded will not, and wrap
// acquire.ErrRefused.
func (s *Store) Record(ctx context.Context, b acquire.Batch) (ledger int64, err error) {
	if b.Empty() {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.stats.HeadLedger, nil
	}
	var streams map[int64]streamState
	ledger, err = s.submit(ctx, func(c *change) (err error) {
		streams, err = c.addBatch(b)
		return err
	}, func() { maps.Copy(s.w.streams, streams) })
	switch {
	case errors.Is(err, ErrInvalid), errors.Is(err, ErrNotFound), errors.Is(err, ErrJobClosed), errors.Is(err, ErrCalibrationEnded):
		return 0, fmt.Errorf("record: %w: %w", acquire.ErrRefused, err)
	case err != nil:
		return 0, fmt.Errorf("record: %w", err)
	}
	return ledger, nil
}

// addBatch adds all rows of b and returns the streams as they will stand.
func (c *change) addBatch(b acquire.Batch) (map[int64]streamState, error) {
	streams := map[int64]streamState{}
	for _, o := range b.Streams {
		streams[o.ID] = streamState{}
		c.add(tStream, o.ID, c.s.session, string(o.Kind), o.Name, o.Port, o.Identity, o.ConfigJSON, o.OpenedNS)
	}
	for _, d := range b.Data {
		c.add(tDatum, d.ID, d.Stream, d.FromSeq, string(d.Kind), d.Number, d.Cause)
	}
	if err := c.addReadings(b.Readings, streams); err != nil {
		return nil, err
	}
	for _, add := range []func(acquire.Batch) error{c.addGaps, c.addSelections, c.addMarks, c.addDirections, c.addPoints, c.addCalibrationEvents} {
		if err := add(b); err != nil {
			return nil, err
		}
	}
	for _, w := range b.Begins {
		c.add(tSweep, w.ID, w.Job, w.Cylinder, w.Indicator, w.IndStream, w.EncStream, w.IndFrom, w.EncFrom, w.DetectorJSON, w.AtNS)
	}
	for _, e := range b.Ends {
		c.add(tSweepEnd, e.Sweep, e.IndTo, e.EncTo, e.Direction, e.Cause, e.AtNS)
	}
	return streams, c.s.addClockMarkIfDue(c)
}

// addReadings checks that every stream goes on where it stood, and notes which
// readings this commit brings.
func (c *change) addReadings(readings []acquire.Reading, streams map[int64]streamState) error {
	byKey := func(a, b acquire.Reading) int {
		if a.Stream != b.Stream {
			return int(min(max(a.Stream-b.Stream, -1), 1))
		}
		return int(min(max(a.Seq-b.Seq, -1), 1))
	}
	if !slices.IsSortedFunc(readings, byKey) {
		readings = slices.Clone(readings)
		slices.SortFunc(readings, byKey)
	}
	c.readings = readings
	for from := 0; from < len(readings); {
		stream, to := readings[from].Stream, from
		state, known := streams[stream]
		if !known {
			state, known = c.s.w.streams[stream]
		}
		if !known {
			return fmt.Errorf("%w: readings of stream %d, which was not opened in this session", ErrInvalid, stream)
		}
		for ; to < len(readings) && readings[to].Stream == stream; to++ {
			if seq := readings[to].Seq; seq <= state.lastSeq {
				return fmt.Errorf("%w: stream %d has seq %d after %d; seqs must grow", ErrInvalid, stream, seq, state.lastSeq)
			} else {
				state.lastSeq = seq
			}
		}
		streams[stream] = state
		c.add(tSpan, stream, readings[from].Seq, state.lastSeq)
		from = to
	}
	return nil
}

func (c *change) addGaps(b acquire.Batch) error {
	for _, g := range b.Gaps {
		id, err := c.nextID(tGap)
		if err != nil {
			return err
		}
		var raw any // NULL where there is none
		if len(g.Raw) > 0 {
			raw = g.Raw
		}
		c.add(tGap, id, g.Stream, g.AfterSeq, g.AtNS, g.Reason, g.N, raw)
	}
	return nil
}

func (c *change) addSelections(b acquire.Batch) error {
	for _, sel := range b.Selections {
		var job any // NULL: nothing selected
		if sel.Job != 0 {
			if err := c.openJob(sel.Job); err != nil {
				return fmt.Errorf("selection: %w", err)
			}
			job = sel.Job
		}
		cylinders := sel.Cylinders
		if cylinders == nil {
			cylinders = map[string]int{}
		}
		text, err := json.Marshal(cylinders)
		if err != nil {
			return err
		}
		id, err := c.nextID(tSelection)
		if err != nil {
			return err
		}
		c.add(tSelection, id, job, string(text), sel.AtNS, sel.Actor)
	}
	return nil
}

func (c *change) addMarks(b acquire.Batch) error {
	for _, m := range b.Marks {
		if err := c.openJob(m.Job); err != nil {
			return fmt.Errorf("mark: %w", err)
		}
		if err := finite("mark_deg", m.MarkDeg); err != nil {
			return err
		}
		id, err := c.nextID(tMark)
		if err != nil {
			return err
		}
		c.add(tMark, id, m.Job, m.MarkDeg, m.EncStream, m.EncSeq, m.Approach, m.AtNS)
	}
	return nil
}

func (c *change) addDirections(b acquire.Batch) error {
	for _, d := range b.Directions {
		if err := c.openJob(d.Job); err != nil {
			return fmt.Errorf("direction: %w", err)
		}
		if err := finite("moved_deg", d.MovedDeg); err != nil {
			return err
		}
		id, err := c.nextID(tDirection)
		if err != nil {
			return err
		}
		c.add(tDirection, id, d.Job, d.Sign, d.MovedDeg, d.EncStream, d.EncSeq, d.AtNS)
	}
	return nil
}

// finite keeps NaN out: SQLite would make it NULL.
func finite(what string, v float64) error {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Errorf("%w: %s is %v, not a number", ErrInvalid, what, v)
	}
	return nil
}

// openJob refuses a job that is not there or closed.
func (c *change) openJob(id int64) error {
	state, err := jobState(c.tx, id)
	if err != nil {
		return err
	}
	if state == JobClosed {
		return fmt.Errorf("job %d: %w", id, ErrJobClosed)
	}
	return nil
}

func jobState(tx *sql.Tx, id int64) (state string, err error) {
	err = tx.QueryRow(`SELECT coalesce((SELECT value FROM job_event WHERE job = job.id AND kind = 'state' ORDER BY id DESC LIMIT 1), 'open')
		FROM job WHERE id = ?`, id).Scan(&state)
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("job %d: %w", id, ErrNotFound)
	}
	return state, err
}

func (s *Store) addClockMark(c *change) error {
	id, err := c.nextID(tClockMark)
	if err != nil {
		return err
	}
	c.mark = clockMark{tNS: c.tNS, unixNS: c.unixNS}
	c.add(tClockMark, id, s.session, c.tNS, c.unixNS, s.o.clockSynced())
	return nil
}

func (s *Store) addClockMarkIfDue(c *change) error {
	last := s.w.clockMark
	apart := (c.unixNS - last.unixNS) - (c.tNS - last.tNS)
	if c.tNS-last.tNS < clockMarkEveryNS && apart < clockJumpNS && apart > -clockJumpNS {
		return nil
	}
	return s.addClockMark(c)
}
