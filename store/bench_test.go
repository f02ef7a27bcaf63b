package store

import (
	"context"
	"database/sql"
	"fmt"
	"syscall"
	"testing"
	"time"

	"crownmark/acquire"
)

// cpuSeconds is what this process has used so far.
func cpuSeconds() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// bareWriter is the least that keeps the same rows: same file settings, tables,
// triggers and batches, rows one by one, no hash.
type bareWriter struct {
	db                    *sql.DB
	ledger, span, reading *sql.Stmt
	id                    int64
}

func newBareWriter(b *testing.B) *bareWriter {
	o := testOptions(b)
	db, err := sql.Open("sqlite", dsn(o.Path, "_journal_mode=WAL", "_synchronous=FULL", "_txlock=immediate"))
	if err != nil {
		b.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	b.Cleanup(func() { db.Close() })
	if err := migrate(context.Background(), db, o.Path, 0, must[[]string](b)(embeddedMigrations())); err != nil {
		b.Fatal(err)
	}
	prepare := func(query string) *sql.Stmt { return must[*sql.Stmt](b)(db.Prepare(query)) }
	all := tables()
	w := &bareWriter{db: db, ledger: prepare("INSERT INTO ledger VALUES (?, 1, ?, ?, zeroblob(32), zeroblob(32), x'')"),
		span: prepare(all[tSpan].insertSQL(1)), reading: prepare(all[tReading].insertSQL(1))}
	exec1(b, db, "BEGIN; INSERT INTO ledger VALUES (1, 1, 0, 0, zeroblob(32), zeroblob(32), x''); INSERT INTO session VALUES (1, 1, '', 0, '', 0); INSERT INTO stream VALUES (1, 1, 1, 'encoder', '', '', '', '', 0); COMMIT")
	w.id = 1
	return w
}

func (w *bareWriter) record(readings []acquire.Reading) error {
	tx, err := w.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	w.id++
	if _, err := tx.Stmt(w.ledger).Exec(w.id, w.id, w.id); err != nil {
		return err
	}
	if _, err := tx.Stmt(w.span).Exec(1, w.id, readings[0].Seq, readings[len(readings)-1].Seq); err != nil {
		return err
	}
	stmt := tx.Stmt(w.reading)
	for _, r := range readings {
		if _, err := stmt.Exec(r.Stream, r.Seq, r.AtNS, r.Burst, r.Ticks, r.Decimals, uint8(r.Unit), r.Raw); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// BenchmarkRecord measures the store beside a bare loop over the same batches,
// taking turns in one run, in CPU seconds per million readings. At fifty
// readings a second from each of three instruments, a batch holds 15 to 25.
func BenchmarkRecord(b *testing.B) {
	for _, size := range []int{25, 512} {
		b.Run(fmt.Sprintf("batch=%d", size), func(b *testing.B) {
			s := open(b, testOptions(b))
			must[int64](b)(s.Record(context.Background(), acquire.Batch{Streams: []acquire.StreamOpened{{ID: 1, Kind: acquire.KindEncoder, ConfigJSON: "{}"}}}))
			bare := newBareWriter(b)
			batch := make([]acquire.Reading, size)
			var ours, theirs float64
			seq := int64(0)
			b.ResetTimer()
			for b.Loop() {
				for i := range batch {
					seq++
					batch[i] = acquire.Reading{Stream: 1, Seq: seq, AtNS: seq * 1e6, Ticks: seq, Unit: acquire.UnitCount, Raw: fmt.Appendf(nil, "%d", seq)}
				}
				t0 := cpuSeconds()
				if _, err := s.Record(context.Background(), acquire.Batch{Readings: batch}); err != nil {
					b.Fatal(err)
				}
				t1 := cpuSeconds()
				if err := bare.record(batch); err != nil {
					b.Fatal(err)
				}
				ours, theirs = ours+t1-t0, theirs+cpuSeconds()-t1
			}
			b.ReportMetric(ours/float64(seq)*1e6, "store-cpu-s/M")
			b.ReportMetric(theirs/float64(seq)*1e6, "bare-cpu-s/M")
			b.ReportMetric(ours/theirs, "ratio")
		})
	}
}

// BenchmarkRead measures what a page or a command waits for.
func BenchmarkRead(b *testing.B) {
	s := open(b, testOptions(b))
	job := newJob(b, s)
	w := startBench(b, s, job.ID)
	for i := range 32 {
		w.sweep(1000, int64(1-2*(i%2)))
	}
	ctx := context.Background()
	for name, f := range map[string]func() error{
		"Input":    func() error { _, _, err := s.Input(ctx, job.ID); return err },
		"Revision": func() error { _, err := s.Revision(ctx, job.ID); return err },
		"Sweeps":   func() error { _, _, err := s.Sweeps(ctx, job.ID, Page{}); return err },
		"Verify":   func() error { _, err := s.Verify(ctx); return err },
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if err := f(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
