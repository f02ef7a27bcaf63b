package store

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"strings"
	"testing"

	"crownmark/acquire"
)

// fullStore has at least two rows in every table and returns their options,
// closed.
func fullStore(t testing.TB) Options {
	t.Helper()
	o := testOptions(t)
	for round := range 2 {
		o.BenchName = fmt.Sprintf("bench-%d", round)
		fillSession(t, o, round)
	}
	return o
}

func fillSession(t testing.TB, o Options, round int) {
	t.Helper()
	ctx := context.Background()
	s := open(t, o)
	job, _, err := s.CreateJob(ctx, NewJob{Engine: practiceEngine(), Actor: "test", IdempotencyKey: fmt.Sprintf("key-%d", round)})
	if err != nil {
		t.Fatal(err)
	}
	b := startBench(t, s, job.ID)
	b.confirmDirection(1)
	b.record(acquire.Batch{
		Selections: []acquire.Selection{{Job: job.ID, Cylinders: map[string]int{"left": 1}, Actor: "test"}, {}},
		Gaps:       []acquire.Gap{{Stream: b.enc, Reason: "garbage", N: 1, Raw: []byte("?")}, {Stream: b.enc, Reason: "port_lost"}},
	})
	id := b.sweep(20, 5)
	b.record(acquire.Batch{Marks: []acquire.MarkPress{{Job: job.ID, MarkDeg: -5.5, EncStream: b.enc, EncSeq: b.encSeq, Approach: 1}}})
	must[Sweep](t)(s.SetAside(ctx, id, "slipped", "test"))
	marks, _, err := s.Marks(ctx, job.ID, Page{})
	if err != nil || len(marks) != 1 {
		t.Fatal(marks, err)
	}
	must[Mark](t)(s.SetMarkAside(ctx, marks[0].ID, "bounced", "test"))
	must[Sweep](t)(s.Assign(ctx, id, 3, "test"))
	must[Report](t)(s.IssueReport(ctx, job.ID, "test", wrote([]byte("report"))))
	must[Job](t)(s.AcknowledgeCautions(ctx, job.ID, "test"))
	must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{JobAttributes: JobAttributes{Stage: new(StageInCar)}, Actor: "test"}))
	kept, _, err := s.AddEngine(ctx, practiceEngine(), "test", fmt.Sprintf("key-%d", round))
	if err != nil {
		t.Fatal(err)
	}
	must[LibraryEngine](t)(s.UpdateEngine(ctx, kept.ID, LibraryPatch{State: new(LibraryRetired), Actor: "test"}))
	fillRegister(t, s, round)
	verifyOK(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// dropTriggers is what a forger does first.
func dropTriggers(t testing.TB, db *sql.DB) {
	t.Helper()
	names, err := collect(context.Background(), db, func(row scanner) (s string, err error) { return s, row.Scan(&s) }, "SELECT name FROM sqlite_schema WHERE type = 'trigger'")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		exec1(t, db, "DROP TRIGGER "+name)
	}
}

// forged runs change on a copy of a closed store whose triggers are gone, and
// returns what Verify says.
func forged(t *testing.T, bare []byte, change func(*sql.DB)) VerifyReport {
	t.Helper()
	o := testOptions(t)
	o.ReadOnly = true
	if err := os.WriteFile(o.Path, bare, 0o600); err != nil {
		t.Fatal(err)
	}
	db := raw(t, o.Path)
	exec1(t, db, "PRAGMA synchronous = OFF")
	change(db)
	db.Close()
	report := must[VerifyReport](t)(open(t, o).Verify(context.Background()))
	if report.OK || len(report.Problems) == 0 {
		t.Fatal("nothing was noticed")
	}
	return report
}

// withoutTriggers is a full store as a forger begins with it.
func withoutTriggers(t *testing.T) []byte {
	t.Helper()
	o := fullStore(t)
	db := raw(t, o.Path)
	exec1(t, db, "PRAGMA journal_mode = DELETE")
	exec1(t, db, "PRAGMA synchronous = OFF")
	dropTriggers(t, db)
	db.Close()
	b, err := os.ReadFile(o.Path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Every column of every table: its last row is changed, and named.
func TestForgedColumns(t *testing.T) {
	bare := withoutTriggers(t)
	all := tables()
	list := append(all[:], table{"ledger", strings.Fields("id session t_ns unix_ns prev hash manifest")})
	for _, table := range list {
		for _, column := range table.columns {
			t.Run(table.name+"."+column, func(t *testing.T) {
				t.Parallel()
				where := "rowid = (SELECT max(rowid) - 1 FROM " + table.name + ")"
				if table.name == "ledger_span" || table.name == "reading" {
					where = fmt.Sprintf("(%[1]s, %[2]s) = (SELECT %[1]s, %[2]s FROM %[3]s WHERE stream = 1 ORDER BY 2 DESC LIMIT 1)", table.columns[0], table.columns[1], table.name)
				}
				var key string
				report := forged(t, bare, func(db *sql.DB) {
					exec1(t, db, "PRAGMA ignore_check_constraints = 1")
					if err := db.QueryRow("SELECT " + table.columns[0] + " FROM " + table.name + " WHERE " + where).Scan(&key); err != nil {
						t.Fatal(err)
					}
					exec1(t, db, forge(table.name, column, where))
				})
				first := report.Problems[0]
				if !strings.Contains(first, "table "+table.name+",") && column != "ledger" && table.columns[0] != column {
					t.Errorf("the first problem is %q", first)
				}
				if !strings.Contains(strings.Join(report.Problems, "\n"), "table "+table.name) {
					t.Errorf("the table is not named in %q", report.Problems)
				}
				if table.columns[0] != column && column != "ledger" && table.name != "reading" && !strings.Contains(first, "row "+key) {
					t.Errorf("row %s is not named in %q", key, first)
				}
			})
		}
	}
}

// forge changes one byte, or one unit of a number.
func forge(table, column, where string) string {
	return fmt.Sprintf(`UPDATE %[1]s SET %[2]s = CASE typeof(%[2]s)
		WHEN 'integer' THEN %[2]s + 1000000 WHEN 'real' THEN %[2]s + 1e-9 WHEN 'text' THEN %[2]s || ' '
		WHEN 'blob' THEN CAST(substr(%[2]s, 1, length(%[2]s) - 1) || char((unicode(substr(hex(%[2]s), -1)) + 1) %% 64 + 33) AS BLOB)
		ELSE CASE WHEN '%[2]s' IN ('cylinder', 'job', 'calibration', 'reference', 'point') THEN 1 WHEN '%[2]s' = 'raw' THEN x'00' ELSE 'forged' END END WHERE %[3]s`, table, column, where)
}

func TestForgedRows(t *testing.T) {
	bare := withoutTriggers(t)
	for name, c := range map[string]struct {
		statements []string
		want       []string
	}{
		"a reading added between": {[]string{"INSERT INTO reading SELECT stream, 9999, t_ns, burst, ticks, decimals, unit, raw FROM reading WHERE stream = 1 AND seq = 5"},
			[]string{"no ledger: table reading, row stream 1 seq 9999"}},
		"a reading added to a commit": {[]string{"DELETE FROM reading WHERE stream = 1 AND seq = 150", "UPDATE ledger_span SET seq_to = 150 WHERE stream = 1 AND seq_to = 150",
			"INSERT INTO reading SELECT stream, 150, t_ns, burst, ticks, decimals, unit, x'31' FROM reading WHERE stream = 1 AND seq = 5"},
			[]string{"table reading, row stream 1 seq 150: changed"}},
		"a reading removed":            {[]string{"DELETE FROM reading WHERE stream = 1 AND seq = 7"}, []string{"table reading, row before stream 1 seq 8: removed"}},
		"the last reading removed":     {[]string{"DELETE FROM reading WHERE stream = 2 AND seq = 150"}, []string{"table reading, row after stream 2 seq 149: removed"}},
		"a mark added to a commit":     {[]string{"INSERT INTO mark SELECT 77, ledger, job, mark_deg, enc_stream, enc_seq, approach, t_ns FROM mark WHERE id = 1"}, []string{"table mark, row 77: added"}},
		"a mark added without commit":  {[]string{"INSERT INTO mark SELECT 77, 5000, job, mark_deg, enc_stream, enc_seq, approach, t_ns FROM mark WHERE id = 1"}, []string{"ledger 5000: table mark, row 77: there is no such ledger"}},
		"a mark removed":               {[]string{"DELETE FROM mark WHERE id = 1"}, []string{"table mark, row 1 of the commit: removed"}},
		"a whole ledger removed":       {[]string{"DELETE FROM ledger WHERE id = 3"}, []string{"ledger 3: table", "there is no such ledger", "ledger 4: table ledger, row 4: ledger 3 is missing before it"}},
		"the first ledger removed":     {[]string{"DELETE FROM ledger WHERE id = 1"}, []string{"ledger 1: table"}},
		"tail removed, rows left":      {[]string{"DELETE FROM ledger WHERE id = (SELECT max(id) FROM ledger)"}, []string{"there is no such ledger"}},
		"a span removed":               {[]string{"DELETE FROM ledger_span WHERE stream = 1 AND seq_from = 1"}, []string{"table ledger_span", "no ledger: table reading, row stream 1 seq 1"}},
		"a trigger left out":           {nil, []string{"the schema: missing or changed: trigger bench_no_delete"}},
		"a table added":                {[]string{"CREATE TABLE forged (x)"}, []string{"the schema: not of this program: table forged"}},
		"a foreign trigger":            {[]string{"CREATE TRIGGER forged AFTER INSERT ON reading BEGIN SELECT 1; END"}, []string{"the schema: not of this program: trigger forged"}},
		"a hash and its next together": {[]string{"UPDATE ledger SET hash = zeroblob(32) WHERE id = 4", "UPDATE ledger SET prev = zeroblob(32) WHERE id = 5"}, []string{"ledger 4: table ledger, row 4"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			report := forged(t, bare, func(db *sql.DB) {
				for _, s := range c.statements {
					exec1(t, db, s)
				}
			})
			all := strings.Join(report.Problems, "\n")
			if len(report.Problems) > 8 {
				t.Errorf("one change, many problems:\n%s", all)
			}
			for _, want := range c.want {
				if !strings.Contains(all, want) {
					t.Errorf("no %q in\n%s", want, all)
				}
			}
		})
	}
}

// A forger who knows the book makes a commit that is right in itself; the next
// one still holds the hash that was.
func TestForgedWithItsHash(t *testing.T) {
	report := forged(t, withoutTriggers(t), func(db *sql.DB) {
		exec1(t, db, "UPDATE job SET name = 'forged' WHERE ledger = 2")
		v := &verifier{ctx: context.Background(), tables: tables(), digest: newDigest(hash{}, 0, 0, 0, 0)}
		var err error
		if v.tx, err = db.Begin(); err != nil {
			t.Fatal(err)
		}
		if err := v.open(); err != nil {
			t.Fatal(err)
		}
		for id := int64(1); id <= 2; id++ {
			l := ledgerRow{id: id}
			if err := v.tx.QueryRow("SELECT session, t_ns, unix_ns, prev FROM ledger WHERE id = ?", id).Scan(&l.session, &l.tNS, &l.unixNS, &l.prev); err != nil {
				t.Fatal(err)
			}
			if err := v.gather(&l); err != nil {
				t.Fatal(err)
			}
		}
		v.close()
		sum := v.digest.sum()
		if _, err := v.tx.Exec("UPDATE ledger SET hash = ?, manifest = ? WHERE id = 2", sum[:], v.digest.manifest()); err != nil {
			t.Fatal(err)
		}
		if err := v.tx.Commit(); err != nil {
			t.Fatal(err)
		}
	})
	if first := report.Problems[0]; !strings.Contains(first, "ledger 3: table ledger, row 3: its prev is not the hash of ledger 2") {
		t.Errorf("%q", report.Problems)
	}
}

// The triggers refuse every way of changing what is kept.
func TestNothingKeptChanges(t *testing.T) {
	o := fullStore(t)
	db := raw(t, o.Path)
	names := []string{"ledger"}
	for _, table := range tables() {
		names = append(names, table.name)
	}
	for _, name := range names {
		column := "ledger"
		if name == "reading" || name == "ledger" {
			column = "t_ns"
		}
		for _, statement := range []string{
			"UPDATE " + name + " SET " + column + " = 1",
			"DELETE FROM " + name,
			"INSERT OR REPLACE INTO " + name + " SELECT * FROM " + name + " LIMIT 1",
			"REPLACE INTO " + name + " SELECT * FROM " + name,
		} {
			if _, err := db.Exec(statement); err == nil || !strings.Contains(err.Error(), "kept rows are never") {
				t.Errorf("%s: %v", statement, err)
			}
		}
	}
	for _, statement := range []string{ // over a second unique key
		"REPLACE INTO job SELECT 900, ledger, 'forged', actor, idempotency_key, request_hash FROM job WHERE id = 1",
		"REPLACE INTO library_engine SELECT 900, ledger, actor, idempotency_key, request_hash FROM library_engine WHERE id = 1",
		"REPLACE INTO instrument SELECT 900, ledger, actor, idempotency_key, request_hash FROM instrument WHERE idempotency_key IS NOT NULL",
		"REPLACE INTO calibration SELECT 900, ledger, instrument, reference, kind, plan_json, conditions_json, actor, idempotency_key, request_hash FROM calibration WHERE id = 1",
		"REPLACE INTO calibration_point SELECT 900, ledger, calibration, run, direction, reference_mm, stream, seq FROM calibration_point WHERE id = 1",
		"REPLACE INTO certificate SELECT 900, ledger, instrument, calibration, job, version, document, hash, actor, idempotency_key, request_hash FROM certificate WHERE id = 1",
		"REPLACE INTO certificate SELECT 900, ledger, instrument, calibration, job, version, document, hash, actor, 'other', request_hash FROM certificate WHERE id = 1",
		"REPLACE INTO report SELECT 900, ledger, job, number, x'00', hash, actor FROM report WHERE id = 1",
	} {
		if _, err := db.Exec(statement); err == nil || !strings.Contains(err.Error(), "kept rows are never replaced") {
			t.Errorf("%s: %v", statement, err)
		}
	}
	for _, statement := range []string{"INSERT INTO mark VALUES (50, 1, 1, 'five', 1, 1, 0, 1)", "INSERT INTO reading VALUES (1, 900, 'x', 0, 0, 0, 0, x'')"} {
		if _, err := db.Exec(statement); err == nil {
			t.Errorf("%s went through", statement)
		}
	}
	o.ReadOnly = true
	verifyOK(t, open(t, o))
}

// A disk that garbles pages: a report, not just an error.
func TestGarbledPages(t *testing.T) {
	bare := withoutTriggers(t)
	for i := len(bare) * 3 / 4 / 4096 * 4096; i < len(bare); i += 4096 { // the schema is before
		copy(bare[i+100:i+3000], make([]byte, 2900))
	}
	report := forged(t, bare, func(*sql.DB) {})
	if all := strings.Join(report.Problems, "\n"); !strings.Contains(all, "ledger") {
		t.Error(all)
	}
}
