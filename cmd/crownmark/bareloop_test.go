//go:build soak

package main

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"syscall"
	"testing"

	_ "modernc.org/sqlite"
)

// bareLoop inserts the very readings of a store into a new file with the same
// tables and triggers, in transactions that end where the store's ended, with
// nothing else around it. It returns the CPU seconds that took: the measure for
// what the whole program may cost.
func bareLoop(t *testing.T, db string) float64 {
	t.Helper()
	from := openBare(t, "file:"+db+"?mode=ro")
	to := openBare(t, "file:"+filepath.Join(t.TempDir(), "bare.db")+"?_journal_mode=WAL&_synchronous=FULL&_txlock=immediate")
	ctx := context.Background()
	each(t, from, "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY rowid", func(scan func(...any) error) error {
		var ddl string
		if err := scan(&ddl); err != nil {
			return err
		}
		_, err := to.ExecContext(ctx, ddl)
		return err
	})
	batches := map[int64][]kept{}
	last := int64(0)
	each(t, from, `SELECT s.ledger, r.stream, r.seq, r.t_ns, r.burst, r.ticks, r.decimals, r.unit, r.raw
		FROM ledger_span s JOIN reading r ON r.stream = s.stream AND r.seq BETWEEN s.seq_from AND s.seq_to`, func(scan func(...any) error) error {
		var ledger int64
		var k kept
		err := scan(&ledger, &k.stream, &k.seq, &k.t, &k.burst, &k.ticks, &k.decimals, &k.unit, &k.raw)
		batches[ledger] = append(batches[ledger], k)
		last = max(last, ledger)
		return err
	})
	before := cpuSeconds(t)
	insert, err := to.PrepareContext(ctx, "INSERT INTO reading (stream, seq, t_ns, burst, ticks, decimals, unit, raw) VALUES (?,?,?,?,?,?,?,?)")
	if err != nil {
		t.Fatal(err)
	}
	for n := int64(1); n <= last; n++ {
		if err := insertBatch(ctx, to, insert, batches[n]); err != nil {
			t.Fatal(err)
		}
	}
	return cpuSeconds(t) - before
}

type kept struct {
	stream, seq, t, burst, ticks, decimals int64
	unit, raw                              any
}

func insertBatch(ctx context.Context, db *sql.DB, insert *sql.Stmt, rows []kept) error {
	if len(rows) == 0 {
		return nil
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	in := tx.StmtContext(ctx, insert)
	for _, k := range rows {
		if _, err := in.ExecContext(ctx, k.stream, k.seq, k.t, k.burst, k.ticks, k.decimals, k.unit, k.raw); err != nil {
			return fmt.Errorf("%w (%v)", err, tx.Rollback())
		}
	}
	return tx.Commit()
}

func openBare(t *testing.T, dsn string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { _ = db.Close() })
	return db
}

func each(t *testing.T, db *sql.DB, query string, row func(scan func(...any) error) error) {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows.Scan); err != nil {
			t.Fatal(err)
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
}

func cpuSeconds(t *testing.T) float64 {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	s := func(v syscall.Timeval) float64 { return float64(v.Sec) + float64(v.Usec)/1e6 }
	return s(u.Utime) + s(u.Stime)
}
