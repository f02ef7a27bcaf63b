package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
)

// rest checks what the chain does not cover: readings outside every span, the
// schema with its triggers, and the file's own structure.
func (v *verifier) rest(migrations []string) error {
	if err := v.strayReadings(); err != nil {
		return err
	}
	if err := v.schema(migrations); err != nil {
		return err
	}
	faults, err := collect(v.ctx, v.tx, func(row scanner) (s string, err error) { return s, row.Scan(&s) }, "PRAGMA integrity_check(10)")
	if err != nil {
		return err
	}
	for _, fault := range faults {
		if fault != "ok" {
			v.problem("the file's structure: %s", fault)
		}
	}
	return nil
}

// strayReadings looks between the spans, if there are more readings than those
// hold.
func (v *verifier) strayReadings() error {
	var count int64
	if err := v.tx.QueryRowContext(v.ctx, "SELECT count(*) FROM reading").Scan(&count); err != nil || count == v.readings {
		return err
	}
	type span struct{ stream, from, to int64 }
	spans, err := collect(v.ctx, v.tx, func(row scanner) (s span, err error) { return s, row.Scan(&s.stream, &s.from, &s.to) },
		`SELECT stream, seq_from, seq_to FROM ledger_span UNION ALL
			SELECT stream, 9223372036854775807, 9223372036854775807 FROM (SELECT DISTINCT stream FROM reading) ORDER BY stream, seq_from`)
	if err != nil {
		return err
	}
	var covered span // up to to
	for _, s := range spans {
		if s.stream != covered.stream {
			covered = span{stream: s.stream, to: math.MinInt64}
		}
		seq, found, err := seqWhere(v.ctx, v.tx, "stream = ? AND seq > ? AND seq < ? ORDER BY seq", s.stream, covered.to, s.from)
		if err != nil {
			return err
		}
		if found {
			v.problem("no ledger: table reading, row stream %d seq %d: belongs to no commit; it was added outside the chain, or its ledger_span removed", s.stream, seq)
		}
		covered.to = max(covered.to, s.to)
	}
	return nil
}

// schema compares with what the migrations make: without the triggers, rows
// can be changed unnoticed until the next Verify.
func (v *verifier) schema(migrations []string) (err error) {
	db, err := sql.Open("sqlite", "file::memory:")
	if err != nil {
		return err
	}
	db.SetMaxOpenConns(1) // each connection would be a database of its own
	defer func() { err = errors.Join(err, db.Close()) }()
	for n, text := range migrations {
		if err := migrateOnce(v.ctx, db, text, n+1); err != nil {
			return err
		}
	}
	want, err := objects(v.ctx, db)
	if err != nil {
		return err
	}
	got, err := objects(v.ctx, v.tx)
	if err != nil {
		return err
	}
	for _, o := range want {
		if !contains(got, o) {
			v.problem("the schema: %s %s is missing or was changed", o.kind, o.name)
		}
	}
	for _, o := range got {
		if !contains(want, o) {
			v.problem("the schema: %s %s is not of this program", o.kind, o.name)
		}
	}
	return nil
}

type object struct{ kind, name, text string }

func contains(list []object, o object) bool {
	for _, x := range list {
		if x == o {
			return true
		}
	}
	return false
}

func objects(ctx context.Context, q querier) ([]object, error) {
	list, err := collect(ctx, q, func(row scanner) (o object, err error) { return o, row.Scan(&o.kind, &o.name, &o.text) },
		"SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite_stat%' ORDER BY type, name")
	if err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	return list, nil
}
