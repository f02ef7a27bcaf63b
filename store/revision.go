package store

import (
	"context"
	"encoding/hex"
	"fmt"
	"strings"
)

// Revision is what Input would return as its revision, without the readings:
// the last ledger that touches the job, the head of its hash, and the software.
// It is fit for an entity tag. Errors: ErrNotFound.
func (s *Store) Revision(ctx context.Context, job int64) (string, error) {
	if _, err := s.Job(ctx, job); err != nil {
		return "", err
	}
	return s.revision(ctx, s.readers, job)
}

func (s *Store) revision(ctx context.Context, q querier, job int64) (string, error) {
	last, err := lastLedger(ctx, q, job)
	if err != nil {
		return "", err
	}
	var sum []byte
	if err := q.QueryRowContext(ctx, "SELECT hash FROM ledger WHERE id = ?", last).Scan(&sum); err != nil {
		return "", fmt.Errorf("ledger %d: %w", last, err)
	}
	return fmt.Sprintf("%d-%s-%s", last, hex.EncodeToString(sum[:4]), entityText(s.o.Software)), nil
}

// lastLedger is the last commit that brought something of the job: events,
// readings of sweeps without an end, the encoder's readings just after the
// latest end, and certificates by which its indicators stand otherwise.
func lastLedger(ctx context.Context, q querier, job int64) (last int64, err error) {
	err = q.QueryRowContext(ctx, `SELECT max(ledger) FROM (
		SELECT ledger FROM job WHERE id = ?1
		UNION ALL SELECT max(ledger) FROM job_event WHERE job = ?1
		UNION ALL SELECT max(ledger) FROM mark WHERE job = ?1
		UNION ALL SELECT max(v.ledger) FROM mark m JOIN mark_event v ON v.mark = m.id WHERE m.job = ?1
		UNION ALL SELECT max(ledger) FROM direction WHERE job = ?1
		UNION ALL SELECT max(ledger) FROM sweep WHERE job = ?1
		UNION ALL SELECT max(e.ledger) FROM sweep w JOIN sweep_end e ON e.sweep = w.id WHERE w.job = ?1
		UNION ALL SELECT max(v.ledger) FROM sweep w JOIN sweep_event v ON v.sweep = w.id WHERE w.job = ?1
		UNION ALL SELECT (SELECT max(ledger) FROM gap WHERE stream = w.ind_stream AND reason = 'taken_back') FROM sweep w WHERE w.job = ?1
		UNION ALL SELECT (SELECT max(ledger) FROM ledger_span WHERE stream IN (w.ind_stream, w.enc_stream))
			FROM sweep w WHERE w.job = ?1 AND NOT EXISTS (SELECT 1 FROM sweep_end WHERE sweep = w.id))`, job).Scan(&last)
	if err != nil {
		return 0, err
	}
	trailing, err := trailingLedger(ctx, q, job)
	if err != nil {
		return 0, err
	}
	uses, err := usesLedger(ctx, q, job)
	return max(last, trailing, uses), err
}

// trailingLedger is the last commit that brought something of the two seconds
// after the latest end on each encoder stream.
func trailingLedger(ctx context.Context, q querier, job int64) (last int64, err error) {
	type end struct{ indStream, indTo, encStream, encTo int64 }
	// SQLite takes the bare columns from the row that has the maximum.
	ends, err := collect(ctx, q, func(row scanner) (e end, err error) {
		return e, row.Scan(&e.indStream, &e.indTo, &e.encStream, &e.encTo)
	}, `SELECT w.ind_stream, e.ind_to, w.enc_stream, max(e.enc_to) FROM sweep w JOIN sweep_end e ON e.sweep = w.id WHERE w.job = ? GROUP BY w.enc_stream`, job)
	if err != nil {
		return 0, err
	}
	for _, e := range ends {
		indNS, _, err := timeAt(ctx, q, e.indStream, e.indTo)
		if err != nil {
			return 0, err
		}
		encNS, _, err := timeAt(ctx, q, e.encStream, e.encTo)
		if err != nil {
			return 0, err
		}
		to, err := trailingSeq(ctx, q, e.encStream, e.encTo, max(indNS, encNS))
		if err != nil {
			return 0, err
		}
		var ledger int64
		if err := q.QueryRowContext(ctx, "SELECT coalesce(max(ledger), 0) FROM ledger_span WHERE stream = ? AND seq_from <= ?", e.encStream, to).Scan(&ledger); err != nil {
			return 0, err
		}
		last = max(last, ledger)
	}
	return last, nil
}

// entityText keeps an entity tag's text to what a header may carry.
func entityText(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune(".-+_", r) {
			return r
		}
		return '_'
	}, s)
}
