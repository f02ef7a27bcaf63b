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

// Certificate is an issued certificate, frozen.
type Certificate struct {
	Number      int64 // 1, 2, … within the store
	Version     int64 // 1, 2, … of the instrument
	Instrument  int64
	Calibration int64 // 0: an encoder's, of Job
	Job         int64
	Document    []byte // nil in a list
	Hash        string // SHA-256 of Document, hex
	Actor       string
	IssuedAt    time.Time
	CertificateFacts

	ledger int64 // its commit
}

// NewCertificate asks for a certificate: of a calibration, or for an encoder of
// a job.
type NewCertificate struct {
	Instrument, Calibration, Job int64 // one of the last two is 0
	Actor                        string
	IdempotencyKey               string // "": none
}

// IssueCertificate freezes a certificate of an instrument under the store's next
// number and the instrument's next version. write makes the document from them
// and the moment of issuing; it runs while nothing else can be written, so it
// must not take long. The same key with the same request returns the first
// call's and replayed. Errors: ErrNotFound, ErrKeyReused, ErrInvalid for a
// calibration that is another instrument's, is a check, runs still or has no
// points, and write's.
func (s *Store) IssueCertificate(ctx context.Context, n NewCertificate, write func(number, version int64, at time.Time) ([]byte, error)) (out Certificate, replayed bool, err error) {
	request := requestHash("", fmt.Sprint(n.Instrument, n.Calibration, n.Job), nil)
	id, replayed, err := s.addOnce(ctx, tCertificate, n.IdempotencyKey, request, func(c *change, id int64) error {
		if err := c.certifiable(n); err != nil {
			return err
		}
		var version int64
		if err := c.tx.QueryRow("SELECT coalesce(max(version), 0) + 1 FROM certificate WHERE instrument = ?", n.Instrument).Scan(&version); err != nil {
			return err
		}
		document, err := write(id, version, time.Unix(0, c.unixNS).UTC())
		if err != nil {
			return err
		}
		facts, err := factsOf(document)
		if c := facts.correction(); err == nil && c != nil {
			err = c.Check()
		}
		if err != nil {
			return fmt.Errorf("%w: %w", ErrInvalid, err)
		}
		sum := sha256.Sum256(document)
		c.add(tCertificate, id, n.Instrument, idOrNull(n.Calibration), idOrNull(n.Job), version, document, sum[:], n.Actor, orNull(n.IdempotencyKey), request)
		return nil
	})
	if err != nil {
		return Certificate{}, false, fmt.Errorf("issue certificate: %w", err)
	}
	out, err = s.Certificate(ctx, id)
	return out, replayed, err
}

func idOrNull(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}

// certifiable refuses what no certificate can be made of.
func (c *change) certifiable(n NewCertificate) error {
	ctx := context.Background()
	i, err := loadRegistered(ctx, c.tx, n.Instrument)
	if err != nil {
		return err
	}
	switch {
	case (n.Calibration == 0) == (n.Job == 0):
		return fmt.Errorf("%w: a certificate is of one calibration or of one job", ErrInvalid)
	case n.Job != 0:
		if i.Record.Kind != RegisterEncoder {
			return fmt.Errorf("%w: instrument %d is kept as %q; only an encoder's certificate is made of a job", ErrInvalid, i.ID, i.Record.Kind)
		}
		_, err := jobState(c.tx, n.Job)
		return err
	}
	cal, err := c.s.loadCalibration(ctx, c.tx, n.Calibration)
	switch {
	case err != nil:
		return err
	case cal.Instrument != n.Instrument:
		return fmt.Errorf("%w: calibration %d is of instrument %d", ErrForeignCalibration, cal.ID, cal.Instrument)
	case cal.Kind != KindCalibration:
		return fmt.Errorf("%w: calibration %d is a check; no certificate is made of one", ErrInvalid, cal.ID)
	case cal.State == CalibrationRunning:
		return fmt.Errorf("calibration %d: %w", cal.ID, ErrCalibrationRuns)
	case len(cal.Counted()) == 0:
		return fmt.Errorf("calibration %d: %w", cal.ID, ErrNoPoints)
	}
	return nil
}

var (
	// ErrForeignCalibration: the calibration is another instrument's.
	ErrForeignCalibration = errors.New("the calibration is another instrument's")
	// ErrCalibrationRuns: it has not ended.
	ErrCalibrationRuns = errors.New("the calibration runs still; end it first")
	// ErrNoPoints: no point of it counts.
	ErrNoPoints = errors.New("the calibration has no point that counts; take some")
)

const certificateQuery = `SELECT t.id, t.version, t.instrument, coalesce(t.calibration, 0), coalesce(t.job, 0), t.document, t.hash, t.actor, t.ledger, l.unix_ns
	FROM certificate t JOIN ledger l ON l.id = t.ledger `

func scanCertificate(row scanner) (c Certificate, err error) {
	var sum []byte
	var unixNS int64
	if err := row.Scan(&c.Number, &c.Version, &c.Instrument, &c.Calibration, &c.Job, &c.Document, &sum, &c.Actor, &c.ledger, &unixNS); err != nil {
		return c, err
	}
	c.Hash, c.IssuedAt = hex.EncodeToString(sum), time.Unix(0, unixNS).UTC()
	if c.CertificateFacts, err = factsOf(c.Document); err != nil {
		return c, fmt.Errorf("certificate %d cannot be read; run `crownmark verify`: %w", c.Number, err)
	}
	return c, nil
}

// Certificate returns one issued certificate, or ErrNotFound.
func (s *Store) Certificate(ctx context.Context, number int64) (Certificate, error) {
	c, err := scanCertificate(s.readers.QueryRowContext(ctx, certificateQuery+"WHERE t.id = ?", number))
	if errors.Is(err, sql.ErrNoRows) {
		return Certificate{}, fmt.Errorf("certificate %d: %w", number, ErrNotFound)
	}
	return c, err
}

// Certificates returns a page of an instrument's certificates by number, without
// their documents, and the After of the next page, nil at the end. Errors:
// ErrNotFound.
func (s *Store) Certificates(ctx context.Context, instrument int64, p Page) (list []Certificate, next *int64, err error) {
	if _, err := loadRegistered(ctx, s.readers, instrument); err != nil {
		return nil, nil, err
	}
	list, err = collect(ctx, s.readers, scanCertificate, certificateQuery+"WHERE t.instrument = ? AND t.id > ? ORDER BY t.id LIMIT ?", instrument, p.After, p.limit()+1)
	if err == nil && len(list) > p.limit() {
		list = list[:p.limit()]
		next = &list[len(list)-1].Number
	}
	for i := range list {
		list[i].Document = nil
	}
	return list, next, err
}
