package store

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
)

// Standing is one job as it stood after one commit. What came later, readings
// of a sweep that was still running included, is not in it.
type Standing struct {
	Ledger     int64
	LedgerHash string // hex
	Job        Job
	Sweeps     []Sweep   // all of them, by id
	Streams    []Stream  // that its sweeps, marks and directions stand on, by id
	Applied    []Applied // the calibrations by which they were made
	Input      fit.Input
	Revision   string
}

// Stream is one opening of one instrument's port.
type Stream struct {
	ID             int64
	Kind           acquire.Kind
	Name           string
	Port, Identity string
	ConfigJSON     string // the acquire.InstrumentConfig in force
	Simulated      bool
	OpenedAt       time.Time
}

// Standing gathers a job as it stood after the commit ledger; 0: after the last.
// Nothing kept is ever changed, so that this is the same whenever it is asked
// for. Errors: ErrNotFound, for a job or a ledger that was not there.
func (s *Store) Standing(ctx context.Context, job, ledger int64) (st Standing, err error) {
	err = s.asOf(ctx, ledger, func(tx *sql.Tx, at int64, sum []byte) error {
		st = Standing{Ledger: at, LedgerHash: hex.EncodeToString(sum)}
		l, err := s.load(ctx, tx, job)
		if err != nil {
			return err
		}
		st.Job = l.job
		if st.Applied, err = l.applied(); err != nil {
			return err
		}
		if st.Input, err = l.input(); err != nil {
			return err
		}
		spans, err := s.spans(ctx, tx, "WHERE w.job = ? ORDER BY w.id", job)
		if err != nil {
			return err
		}
		for _, w := range spans {
			st.Sweeps = append(st.Sweeps, w.Sweep)
		}
		if st.Streams, err = jobStreams(ctx, tx, job); err != nil {
			return err
		}
		st.Revision, err = s.revision(ctx, tx, job)
		return err
	})
	if err != nil {
		return Standing{}, fmt.Errorf("job %d as of ledger %d: %w", job, ledger, err)
	}
	return st, nil
}

func jobStreams(ctx context.Context, q querier, job int64) ([]Stream, error) {
	return collect(ctx, q, func(row scanner) (t Stream, err error) {
		var opened int64
		err = row.Scan(&t.ID, &t.Kind, &t.Name, &t.Port, &t.Identity, &t.ConfigJSON, &t.Simulated, &opened)
		t.OpenedAt = time.Unix(0, opened).UTC()
		return t, err
	}, `SELECT t.id, t.kind, t.name, t.port, t.identity, t.config_json, p.simulated, l.unix_ns - (l.t_ns - t.t_ns)
		FROM stream t JOIN session p ON p.id = t.session JOIN ledger l ON l.id = t.ledger
		WHERE t.id IN (SELECT ind_stream FROM sweep WHERE job = ?1 UNION SELECT enc_stream FROM sweep WHERE job = ?1
			UNION SELECT enc_stream FROM mark WHERE job = ?1 UNION SELECT enc_stream FROM direction WHERE job = ?1)
		ORDER BY t.id`, job)
}

// asOf runs f over the file as it stood after one commit: views of the tables'
// names, which SQLite finds before the tables, leave out what came later.
func (s *Store) asOf(ctx context.Context, ledger int64, f func(tx *sql.Tx, ledger int64, hash []byte) error) (err error) {
	conn, err := s.readers.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	// The file itself stays read-only (mode=ro): only temporary views are made,
	// and with the transaction they are gone.
	if _, err := conn.ExecContext(ctx, "PRAGMA query_only = 0"); err != nil {
		return err
	}
	defer func() {
		_, again := conn.ExecContext(context.WithoutCancel(ctx), "PRAGMA query_only = 1")
		err = errors.Join(err, again)
	}()
	tx, err := conn.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, tx.Rollback()) }()
	var sum []byte
	row := tx.QueryRowContext(ctx, "SELECT id, hash FROM ledger WHERE id = ?1 OR ?1 = 0 ORDER BY id DESC LIMIT 1", ledger)
	if err := row.Scan(&ledger, &sum); errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("ledger: %w", ErrNotFound)
	} else if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, s.viewsAsOf(ledger)); err != nil {
		return err
	}
	return f(tx, ledger, sum)
}

func (s *Store) viewsAsOf(ledger int64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "CREATE TEMP VIEW ledger AS SELECT * FROM main.ledger WHERE id <= %d;\n", ledger)
	for t, table := range s.tables {
		where := fmt.Sprintf("r.ledger <= %d", ledger)
		if tableID(t) == tReading { // a stream's numbers grow with the ledger
			where = fmt.Sprintf(`r.seq <= (SELECT p.seq_to FROM main.ledger_span p WHERE p.stream = r.stream
				AND p.ledger <= %d ORDER BY p.ledger DESC LIMIT 1)`, ledger)
		}
		fmt.Fprintf(&b, "CREATE TEMP VIEW %[1]s AS SELECT r.* FROM main.%[1]s r WHERE %[2]s;\n", table.name, where)
	}
	return b.String()
}
