package store

import (
	"context"
	"fmt"
	"time"

	"crownmark/acquire"
)

// markAside tells whether mark m was set aside.
const markAside = `coalesce((SELECT kind = 'set_aside' FROM mark_event WHERE mark = m.id ORDER BY id DESC LIMIT 1), 0)`

// Mark is one press of a damper mark as its events leave it.
type Mark struct {
	ID, Job  int64
	MarkDeg  float64 // as written on the damper; negative before the top
	Approach int     // direction of the last motion: +1 with the configured angle growing, −1 falling; 0 not known
	SetAside bool
	Reason   string // why it was set aside, "" if it is not
	At       time.Time
}

const markQuery = `SELECT m.id, m.job, m.mark_deg, m.approach, ` + markAside + `,
	coalesce((SELECT reason FROM mark_event WHERE mark = m.id ORDER BY id DESC LIMIT 1), ''), l.unix_ns - (l.t_ns - m.t_ns)
	FROM mark m JOIN ledger l ON l.id = m.ledger `

func scanMark(row scanner) (m Mark, err error) {
	var unixNS int64
	err = row.Scan(&m.ID, &m.Job, &m.MarkDeg, &m.Approach, &m.SetAside, &m.Reason, &unixNS)
	m.At = time.Unix(0, unixNS).UTC()
	if !m.SetAside {
		m.Reason = ""
	}
	return m, err
}

// Marks returns a page of a job's presses by id, those set aside too, and the
// After of the next page, nil at the end. ErrNotFound: no such job.
func (s *Store) Marks(ctx context.Context, job int64, p Page) (marks []Mark, next *int64, err error) {
	if _, err := s.Job(ctx, job); err != nil {
		return nil, nil, err
	}
	marks, err = collect(ctx, s.readers, scanMark, markQuery+"WHERE m.job = ? AND m.id > ? ORDER BY m.id LIMIT ?", job, p.After, p.limit()+1)
	marks, next = cut(marks, p, func(x *Mark) *int64 { return &x.ID })
	return marks, next, err
}

// Mark returns one press, or ErrNotFound.
func (s *Store) Mark(ctx context.Context, id int64) (Mark, error) { return mark(ctx, s.readers, id) }

func mark(ctx context.Context, q querier, id int64) (Mark, error) {
	list, err := collect(ctx, q, scanMark, markQuery+"WHERE m.id = ?", id)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("mark %d: %w", id, ErrNotFound)
	}
	if err != nil {
		return Mark{}, err
	}
	return list[0], nil
}

// MarkOf finds the press that a bench has handed in, or ErrNotFound.
func (s *Store) MarkOf(ctx context.Context, p acquire.MarkPress) (Mark, error) {
	list, err := collect(ctx, s.readers, scanMark, markQuery+"WHERE m.job = ? AND m.mark_deg = ? AND m.enc_stream = ? AND m.enc_seq = ? AND m.t_ns = ? ORDER BY m.id DESC LIMIT 1",
		p.Job, p.MarkDeg, p.EncStream, p.EncSeq, p.AtNS)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("a press of mark %g°: %w", p.MarkDeg, ErrNotFound)
	}
	if err != nil {
		return Mark{}, err
	}
	return list[0], nil
}

// SetMarkAside leaves a press out of the mark's error; the press stays. Again: no
// change. Errors: ErrNotFound, ErrJobClosed.
func (s *Store) SetMarkAside(ctx context.Context, id int64, reason, actor string) (Mark, error) {
	return s.markEvent(ctx, id, true, reason, actor)
}

// RestoreMark takes a press back in. Again: no change. Errors: ErrNotFound, ErrJobClosed.
func (s *Store) RestoreMark(ctx context.Context, id int64, actor string) (Mark, error) {
	return s.markEvent(ctx, id, false, "", actor)
}

func (s *Store) markEvent(ctx context.Context, id int64, aside bool, reason, actor string) (Mark, error) {
	_, err := s.submit(ctx, func(c *change) error {
		m, err := mark(context.Background(), c.tx, id)
		if err != nil {
			return err
		}
		if err := c.openJob(m.Job); err != nil {
			return fmt.Errorf("mark %d: %w", id, err)
		}
		if m.SetAside == aside {
			return nil
		}
		kind := "restored"
		if aside {
			kind = "set_aside"
		}
		event, err := c.nextID(tMarkEvent)
		if err == nil {
			c.add(tMarkEvent, event, id, kind, reason, actor)
		}
		return err
	}, nil)
	if err != nil {
		return Mark{}, err
	}
	return s.Mark(ctx, id)
}
