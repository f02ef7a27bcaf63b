package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"
)

// IssueReport freezes a report of a job under the job's next number. Errors:
// ErrNotFound.
func (s *Store) IssueReport(ctx context.Context, job int64, document []byte, actor string) (Report, error) {
	sum := sha256.Sum256(document)
	if document == nil {
		document = []byte{}
	}
	var out Report
	_, err := s.submit(ctx, func(c *change) error {
		if _, err := jobState(c.tx, job); err != nil {
			return err
		}
		id, err := c.nextID(tReport)
		if err != nil {
			return err
		}
		out = Report{ID: id, Job: job, Document: document, Hash: hex.EncodeToString(sum[:]), Actor: actor, IssuedAt: time.Unix(0, c.unixNS).UTC()}
		if err := c.tx.QueryRow("SELECT coalesce(max(number), 0) + 1 FROM report WHERE job = ?", job).Scan(&out.Number); err != nil {
			return err
		}
		c.add(tReport, id, job, out.Number, document, sum[:], actor)
		return nil
	}, nil)
	if err != nil {
		return Report{}, fmt.Errorf("issue report: %w", err)
	}
	return out, nil
}

// Reports returns a job's issued reports in their order. ErrNotFound: no such job.
func (s *Store) Reports(ctx context.Context, job int64) ([]Report, error) {
	if _, err := s.Job(ctx, job); err != nil {
		return nil, err
	}
	return collect(ctx, s.readers, func(row scanner) (r Report, err error) {
		var sum []byte
		var unixNS int64
		err = row.Scan(&r.ID, &r.Job, &r.Number, &r.Document, &sum, &r.Actor, &unixNS)
		r.Hash, r.IssuedAt = hex.EncodeToString(sum), time.Unix(0, unixNS).UTC()
		return r, err
	}, `SELECT r.id, r.job, r.number, r.document, r.hash, r.actor, l.unix_ns
		FROM report r JOIN ledger l ON l.id = r.ledger WHERE r.job = ? ORDER BY r.number`, job)
}
