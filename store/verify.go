package store

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// maxProblems bounds a report on a file that is thoroughly broken.
const maxProblems = 50

// Verify walks the chain over one state of the file and recomputes every hash
// from the stored rows. Whatever was changed, added or removed since its commit
// is a problem that names ledger, table and row; the first is the oldest. An
// error means that the walk itself could not be done.
func (s *Store) Verify(ctx context.Context) (report VerifyReport, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		v := &verifier{ctx: ctx, tx: tx, tables: s.tables, digest: newDigest(hash{}, 0, 0, 0, 0)}
		defer v.close()
		for _, part := range []func() error{v.walk, v.strayReadings, func() error { return v.schema(s.o.migrations) }, v.structure} {
			if err := part(); ctx.Err() != nil {
				return err
			} else if err != nil { // a file this broken cannot even be read
				v.problem("ledger %d or after: cannot be read: %v", v.report.Ledgers, err)
			}
		}
		report = v.report
		if more := v.found - maxProblems; more > 0 {
			report.Problems = append(report.Problems, fmt.Sprintf("and %d more", more))
		}
		return nil
	})
	if err != nil {
		return VerifyReport{}, fmt.Errorf("verify %s: %w", s.o.Path, err)
	}
	report.OK = len(report.Problems) == 0
	return report, nil
}

type verifier struct {
	ctx      context.Context
	tx       *sql.Tx
	tables   [tableCount]table
	cursors  [tableCount]*cursor // of all tables but reading
	span     *sql.Stmt
	digest   *digest
	keys     [tableCount][][2]any // first two columns of the rows in digest, for naming them
	readings int64                // gathered so far
	report   VerifyReport
	found    int // problems
}

func (v *verifier) close() {
	for _, c := range v.cursors {
		if c != nil {
			c.rows.Close()
		}
	}
	if v.span != nil {
		v.span.Close()
	}
}

func (v *verifier) problem(format string, args ...any) {
	if v.found++; v.found <= maxProblems {
		v.report.Problems = append(v.report.Problems, fmt.Sprintf(format, args...))
	}
}

// cursor walks one table by ledger, then key.
type cursor struct {
	rows   *sql.Rows
	values []any // of the row it stands on; nil at the end
}

func (c *cursor) step(columns int) error {
	c.values = nil
	if !c.rows.Next() {
		return c.rows.Err()
	}
	values, into := make([]any, columns), make([]any, columns)
	for i := range values {
		into[i] = &values[i]
	}
	c.values = values
	return c.rows.Scan(into...)
}

func (c *cursor) ledger() int64 { return c.values[1].(int64) }

func (v *verifier) open() (err error) {
	for t, table := range v.tables {
		if tableID(t) == tReading {
			continue
		}
		rows, err := v.tx.QueryContext(v.ctx, "SELECT "+strings.Join(table.columns, ", ")+" FROM "+table.name+" ORDER BY ledger, "+table.columns[0])
		if err != nil {
			return err
		}
		v.cursors[t] = &cursor{rows: rows}
		if err := v.cursors[t].step(len(table.columns)); err != nil {
			return err
		}
	}
	v.span, err = v.tx.PrepareContext(v.ctx, "SELECT "+strings.Join(v.tables[tReading].columns, ", ")+
		" FROM reading WHERE stream = ? AND seq BETWEEN ? AND ? ORDER BY seq")
	return err
}

type ledgerRow struct {
	id, session, tNS, unixNS int64
	prev, hash, manifest     []byte
}

// walk goes along the chain.
func (v *verifier) walk() error {
	if err := v.open(); err != nil {
		return err
	}
	rows, err := v.tx.QueryContext(v.ctx, "SELECT id, session, t_ns, unix_ns, prev, hash, manifest FROM ledger ORDER BY id")
	if err != nil {
		return err
	}
	defer rows.Close()
	last := ledgerRow{hash: make([]byte, len(hash{}))}
	for rows.Next() {
		var l ledgerRow
		if err := rows.Scan(&l.id, &l.session, &l.tNS, &l.unixNS, &l.prev, &l.hash, &l.manifest); err != nil {
			return err
		}
		if err := v.strays(l.id); err != nil {
			return err
		}
		if err := v.gather(&l); err != nil {
			return err
		}
		v.check(&l, &last)
		v.report.Ledgers++
		last = l
	}
	if v.report.Ledgers > 0 {
		v.report.HeadHash = hex.EncodeToString(last.hash)
	}
	return errors.Join(rows.Err(), v.strays(lastSeq))
}

// strays are rows whose ledger is not there: those before the next ledger.
func (v *verifier) strays(next int64) error {
	for t, c := range v.cursors {
		for c != nil && c.values != nil && c.ledger() < next {
			v.problem("ledger %d: table %s, row %v: there is no such ledger; the row was added outside the chain, or the ledger removed",
				c.ledger(), v.tables[t].name, c.values[0])
			v.report.Rows++
			if err := c.step(len(v.tables[t].columns)); err != nil {
				return err
			}
		}
	}
	return nil
}

// gather puts all rows of one ledger into the digest.
func (v *verifier) gather(l *ledgerRow) error {
	var prev hash
	copy(prev[:], l.prev)
	v.digest.reset(prev, l.id, l.session, l.tNS, l.unixNS)
	for t := range v.keys {
		v.keys[t] = v.keys[t][:0]
	}
	var spans [][]any
	for t, c := range v.cursors {
		if tableID(t) == tReading {
			if err := v.gatherReadings(spans); err != nil {
				return err
			}
			continue
		}
		for c.values != nil && c.ledger() == l.id {
			v.digest.row(tableID(t), v.tables[t].name, c.values)
			v.keys[t] = append(v.keys[t], [2]any{c.values[0], c.values[1]})
			if tableID(t) == tSpan {
				spans = append(spans, c.values)
			}
			if err := c.step(len(v.tables[t].columns)); err != nil {
				return err
			}
		}
	}
	v.report.Rows += int64(v.digest.rows)
	v.readings += int64(len(v.digest.sums[tReading]))
	return nil
}

func (v *verifier) gatherReadings(spans [][]any) error {
	for _, span := range spans {
		rows, err := v.span.QueryContext(v.ctx, span[0], span[2], span[3])
		if err != nil {
			return err
		}
		c := &cursor{rows: rows}
		for err = c.step(8); err == nil && c.values != nil; err = c.step(8) {
			v.digest.row(tReading, "reading", c.values)
			v.keys[tReading] = append(v.keys[tReading], [2]any{c.values[0], c.values[1]})
		}
		if err := errors.Join(err, rows.Close()); err != nil {
			return err
		}
	}
	return nil
}

// check compares one ledger with its rows and with the ledger before.
func (v *verifier) check(l, last *ledgerRow) {
	switch {
	case l.id != last.id+1:
		v.problem("ledger %d: table ledger, row %d: ledger %d is missing before it", l.id, l.id, last.id+1)
	case !slices.Equal(l.prev, last.hash):
		v.problem("ledger %d: table ledger, row %d: its prev is not the hash of ledger %d; one of the two was changed", l.id, l.id, last.id)
	}
	sums, readable := parseManifest(l.manifest)
	sum := v.digest.sum()
	if slices.Equal(sum[:], l.hash) {
		if !readable || !slices.Equal(v.digest.manifest(), l.manifest) {
			v.problem("ledger %d: table ledger, row %d: its manifest was changed", l.id, l.id)
		}
		return
	}
	before := v.found
	for t := range sums {
		v.compare(l.id, tableID(t), sums[t])
	}
	if !readable || v.found == before {
		v.problem("ledger %d: table ledger, row %d: its hash does not fit; this row itself was changed", l.id, l.id)
	}
}

// compare finds the rows of one table that are not what the manifest has.
func (v *verifier) compare(ledger int64, t tableID, want []uint32) {
	got, name := v.digest.sums[t], v.tables[t].name
	key := func(i int) string { return rowName(t, v.keys[t][i]) }
	if len(got) == len(want) {
		for i := range got {
			if got[i] != want[i] {
				v.problem("ledger %d: table %s, row %s: changed after its commit", ledger, name, key(i))
			}
		}
		return
	}
	at := 0 // the first row that differs
	for at < len(got) && at < len(want) && got[at] == want[at] {
		at++
	}
	switch {
	case len(got) > len(want):
		v.problem("ledger %d: table %s, row %s: added after its commit (%d rows instead of %d)", ledger, name, key(at), len(got), len(want))
	case at < len(got):
		v.problem("ledger %d: table %s, row before %s: removed after its commit (%d rows instead of %d)", ledger, name, key(at), len(got), len(want))
	case at > 0:
		v.problem("ledger %d: table %s, row after %s: removed after its commit (%d rows instead of %d)", ledger, name, key(at-1), len(got), len(want))
	default:
		v.problem("ledger %d: table %s, row 1 of the commit: removed after its commit (0 rows instead of %d)", ledger, name, len(want))
	}
}

func rowName(t tableID, key [2]any) string {
	if t == tReading {
		return fmt.Sprintf("stream %v seq %v", key[0], key[1])
	}
	return fmt.Sprint(key[0])
}
