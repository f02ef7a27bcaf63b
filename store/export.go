package store

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"slices"

	"crownmark/acquire"
	"crownmark/fit/sweepcsv"
)

// Export writes a job's sweeps as a sweep file, as Input sees them: each
// mount's encoder stream first, as rows without sweep and height, then each
// sweep's heights; raw lines, counts, arrivals and places in a burst beside them. All t_s
// share one zero. Sweeps set aside are left out. Errors: ErrNotFound, and w's.
func (s *Store) Export(ctx context.Context, job int64, w io.Writer) error {
	// Not in one snapshot: w may be slow, and a long snapshot would keep the
	// WAL from being emptied. What is kept does not change anyway.
	l, err := s.load(ctx, s.readers, job)
	if err != nil {
		return fmt.Errorf("export of job %d: %w", job, err)
	}
	if err := s.settle(ctx, l); err != nil {
		return fmt.Errorf("export of job %d: %w", job, err)
	}
	out := sweepcsv.NewWriter(w, true)
	if slices.ContainsFunc(l.sweeps, func(w span) bool { return w.RestMM != nil }) {
		out.WithRest()
	}
	if err := l.export(out); err != nil {
		return fmt.Errorf("export of job %d: %w", job, err)
	}
	return out.Flush()
}

// export writes what a person read first: the first row says whether the file
// has a column for the doubt of its angles.
func (l *loader) export(out *sweepcsv.Writer) error {
	sweeps := func(byHand bool, write func(*sweepcsv.Writer, *span) error) error {
		for i := range l.sweeps {
			if w := &l.sweeps[i]; w.AngleUDeg > 0 == byHand {
				if err := write(out, w); err != nil {
					return fmt.Errorf("sweep %d: %w", w.ID, err)
				}
			}
		}
		return nil
	}
	if err := sweeps(true, l.exportHand); err != nil {
		return err
	}
	if err := l.exportEncoders(out); err != nil {
		return err
	}
	return sweeps(false, l.exportHeights)
}

// settle bounds what still grows, so that heights and encoder end together.
func (s *Store) settle(ctx context.Context, l *loader) error {
	return s.snapshot(ctx, func(tx *sql.Tx) error {
		bound := func(stream int64, to *int64) error {
			if *to != lastSeq {
				return nil
			}
			return tx.QueryRowContext(ctx, "SELECT coalesce(max(seq), 0) FROM reading WHERE stream = ?", stream).Scan(to)
		}
		for i := range l.segments {
			if err := bound(l.segments[i].stream, &l.segments[i].to); err != nil {
				return err
			}
		}
		for i := range l.sweeps {
			if err := bound(l.sweeps[i].indStream, &l.sweeps[i].indTo); err != nil {
				return err
			}
		}
		return nil
	})
}

func (l *loader) exportEncoders(out *sweepcsv.Writer) error {
	return l.eachAngle(func(seg segment, r *acquire.Timed, deg float64) error {
		if seg.pressOnly {
			return nil
		}
		i, err := l.instrument(seg.stream)
		if err != nil {
			return err
		}
		row := sweepcsv.Row{TS: l.seconds(seg.session, r.MadeNS), AngleDeg: &deg, Mount: seg.mount,
			Raw: i.RawText(r.Raw), ArrivalS: l.arrival(seg.session, r), Burst: r.Late(), Simulated: l.job.Simulated}
		if r.Unit != acquire.UnitDegree {
			row.Count = &r.Ticks
		}
		return out.Write(row)
	})
}

// arrival is nil where the reading's time is its arrival.
func (l *loader) arrival(session int64, r *acquire.Timed) *float64 {
	if r.MadeNS == r.AtNS {
		return nil
	}
	s := l.seconds(session, r.AtNS)
	return &s
}

func (l *loader) exportHeights(out *sweepcsv.Writer, w *span) error {
	i, err := l.instrument(w.indStream)
	if err != nil {
		return err
	}
	for r, err := range i.timed(l.ctx, l.q, w.indFrom, w.indTo) {
		if err != nil {
			return err
		}
		mm := i.HeightMM(r.Reading)
		row := w.row(l.seconds(w.session, r.MadeNS))
		row.HeightMM, row.Raw, row.ArrivalS, row.Burst = &mm, i.RawText(r.Raw), l.arrival(w.session, &r), r.Late()
		if err := out.Write(row); err != nil {
			return err
		}
	}
	return nil
}
