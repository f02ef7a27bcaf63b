package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"time"
)

// IssueReport freezes a report of a job under the store's next report number.
// write makes the document from that number and the moment of issuing; it runs
// while nothing else can be written, so it must not take long. A closed job
// may be reported. Errors: ErrNotFound, and write's.
func (s *Store) IssueReport(ctx context.Context, job int64, actor string, write func(number int64, at time.Time) ([]byte, error)) (Report, error) {
	var out Report
	_, err := s.submit(ctx, func(c *change) error {
		if _, err := jobState(c.tx, job); err != nil {
			return err
		}
		id, err := c.nextID(tReport)
		if err != nil {
			return err
		}
		at := time.Unix(0, c.unixNS).UTC()
		document, err := write(id, at)
		if err != nil {
			return err
		}
		if document == nil {
			document = []byte{}
		}
		sum := sha256.Sum256(document)
		out = Report{Number: id, Job: job, Document: document, Hash: hex.EncodeToString(sum[:]), Actor: actor, IssuedAt: at}
		c.add(tReport, id, job, id, document, sum[:], actor)
		return nil
	}, nil)
	if err != nil {
		return Report{}, fmt.Errorf("issue report: %w", err)
	}
	return out, nil
}

const reportQuery = `SELECT r.number, r.job, %s, r.hash, r.actor, l.unix_ns FROM report r JOIN ledger l ON l.id = r.ledger `

func scanReport(row scanner) (r Report, err error) {
	var sum []byte
	var unixNS int64
	err = row.Scan(&r.Number, &r.Job, &r.Document, &sum, &r.Actor, &unixNS)
	r.Hash, r.IssuedAt = hex.EncodeToString(sum), time.Unix(0, unixNS).UTC()
	return r, err
}

// Report returns one issued report, or ErrNotFound.
func (s *Store) Report(ctx context.Context, number int64) (Report, error) {
	r, err := scanReport(s.readers.QueryRowContext(ctx, fmt.Sprintf(reportQuery, "r.document")+"WHERE r.id = ?", number))
	if errors.Is(err, sql.ErrNoRows) {
		return Report{}, fmt.Errorf("report %d: %w", number, ErrNotFound)
	}
	return r, err
}

// Reports returns a page of a job's issued reports by number, without their
// documents, and the After of the next page, nil at the end. ErrNotFound: no
// such job.
func (s *Store) Reports(ctx context.Context, job int64, p Page) (reports []Report, next *int64, err error) {
	if _, err := s.Job(ctx, job); err != nil {
		return nil, nil, err
	}
	reports, err = collect(ctx, s.readers, scanReport,
		fmt.Sprintf(reportQuery, "NULL")+"WHERE r.job = ? AND r.number > ? ORDER BY r.number LIMIT ?", job, p.After, p.limit()+1)
	reports, next = cut(reports, p, func(x *Report) *int64 { return &x.Number })
	return reports, next, err
}
