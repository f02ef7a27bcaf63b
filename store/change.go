package store

import (
	"context"
	"database/sql"
	"fmt"

	"crownmark/acquire"
)

// readingsAtOnce is how many readings one INSERT takes.
const readingsAtOnce = 32

// change is one commit in the making.
type change struct {
	s           *Store
	tx          *sql.Tx
	ledger      int64 // its number
	tNS, unixNS int64
	rows        [tableCount][][]any
	readings    []acquire.Reading // by stream, then seq
	mark        clockMark         // to be remembered after the commit
}

// add appends a row: its key, then the columns after ledger.
func (c *change) add(t tableID, key int64, rest ...any) {
	row := append(make([]any, 0, len(rest)+2), key, c.ledger)
	for _, v := range rest {
		row = append(row, plain(v))
	}
	rows := c.rows[t]
	at := len(rows) // keys nearly always come in order
	for at > 0 && rows[at-1][0].(int64) > key {
		at--
	}
	rows = append(rows, nil)
	copy(rows[at+1:], rows[at:])
	rows[at] = row
	c.rows[t] = rows
}

// plain makes a value one of those that SQLite hands back.
func plain(v any) any {
	switch v := v.(type) {
	case int:
		return int64(v)
	case bool:
		if v {
			return int64(1)
		}
		return int64(0)
	case float64:
		if v == 0 {
			return 0.0 // SQLite keeps −0 as 0
		}
	}
	return v
}

// nextID is the id for the next row of t. Rows are never removed, so none is
// ever used twice.
func (c *change) nextID(t tableID) (id int64, err error) {
	if n := len(c.rows[t]); n > 0 {
		return c.rows[t][n-1][0].(int64) + 1, nil
	}
	err = c.tx.QueryRow("SELECT coalesce(max(id), 0) + 1 FROM " + c.s.tables[t].name).Scan(&id)
	return id, err
}

func (c *change) empty() bool {
	for _, rows := range c.rows {
		if len(rows) > 0 {
			return false
		}
	}
	return len(c.readings) == 0
}

// seal hashes the rows into the writer's digest.
func (c *change) seal() hash {
	d := c.s.w.digest
	d.reset(c.s.w.head.hash, c.ledger, c.s.session, c.tNS, c.unixNS)
	for t, rows := range c.rows {
		for _, row := range rows {
			d.row(tableID(t), c.s.tables[t].name, row)
		}
		if tableID(t) == tReading {
			for i := range c.readings {
				d.reading(&c.readings[i])
			}
		}
	}
	return d.sum()
}

func (c *change) insert(ctx context.Context, sum hash) error {
	w := &c.s.w
	prev := w.head.hash
	if _, err := c.tx.StmtContext(ctx, w.ledger).ExecContext(ctx, c.ledger, c.s.session, c.tNS, c.unixNS,
		prev[:], sum[:], w.digest.manifest()); err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	for t, rows := range c.rows {
		if len(rows) == 0 {
			continue
		}
		stmt := c.tx.StmtContext(ctx, w.insert[t])
		for _, row := range rows {
			if _, err := stmt.ExecContext(ctx, row...); err != nil {
				return fmt.Errorf("%s %v: %w", c.s.tables[t].name, row[0], err)
			}
		}
	}
	return c.insertReadings(ctx)
}

func (c *change) insertReadings(ctx context.Context) error {
	w, rest := &c.s.w, c.readings
	for _, batch := range []struct {
		stmt *sql.Stmt
		n    int
	}{{w.readings, readingsAtOnce}, {w.insert[tReading], 1}} {
		if len(rest) < batch.n {
			continue
		}
		stmt := c.tx.StmtContext(ctx, batch.stmt)
		for ; len(rest) >= batch.n; rest = rest[batch.n:] {
			w.args = appendReadingArgs(w.args[:0], rest[:batch.n])
			if _, err := stmt.ExecContext(ctx, w.args...); err != nil {
				return fmt.Errorf("readings of stream %d from seq %d: %w", rest[0].Stream, rest[0].Seq, err)
			}
		}
	}
	return nil
}

func appendReadingArgs(args []any, readings []acquire.Reading) []any {
	for i := range readings {
		r := &readings[i]
		raw := r.Raw
		if raw == nil {
			raw = []byte{} // nil would be NULL
		}
		args = append(args, r.Stream, r.Seq, r.AtNS, int64(r.Burst), r.Ticks, int64(r.Decimals), int64(r.Unit), raw)
	}
	return args
}
