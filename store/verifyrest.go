package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// structure asks SQLite about the file's own pages and indexes.
func (v *verifier) structure() error {
	faults, err := collect(v.ctx, v.tx, func(row scanner) (s string, err error) { return s, row.Scan(&s) }, "PRAGMA integrity_check(10)")
	for _, fault := range faults {
		if fault != "ok" {
			v.problem("the file's structure: %s", fault)
		}
	}
	return err
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
	if missing := without(want, got); missing != "" {
		v.problem("the schema: missing or changed: %s", missing)
	}
	if foreign := without(got, want); foreign != "" {
		v.problem("the schema: not of this program: %s", foreign)
	}
	return nil
}

type object struct{ kind, name, text string }

// without names what a has and b does not.
func without(a, b []object) string {
	var names []string
	for _, o := range a {
		if !slices.Contains(b, o) {
			names = append(names, o.kind+" "+o.name)
		}
	}
	return strings.Join(names, ", ")
}

func objects(ctx context.Context, q querier) ([]object, error) {
	list, err := collect(ctx, q, func(row scanner) (o object, err error) { return o, row.Scan(&o.kind, &o.name, &o.text) },
		"SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite_stat%' ORDER BY type, name")
	if err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	return list, nil
}
