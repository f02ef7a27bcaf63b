package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"crownmark/acquire"
)

// readingsAtOnce is how many readings one INSERT takes.
const readingsAtOnce = 32

// attempts is how often a commit is tried before its failure is told.
const attempts = 3

// request is one unit of work for the writer goroutine. op gathers rows from
// what the transaction shows; it may run again after a failure and must leave
// nothing behind but its results. done runs after the commit.
type request struct {
	op     func(*change) error
	done   func()
	answer chan answer
}

type answer struct {
	ledger int64
	err    error
}

type head struct {
	id   int64
	hash hash
}

type streamState struct{ lastSeq int64 }

// writerState belongs to the writer goroutine.
type writerState struct {
	head      head
	insert    [tableCount]*sql.Stmt // one row at a time
	readings  *sql.Stmt             // readingsAtOnce rows
	ledger    *sql.Stmt
	digest    *digest
	args      []any
	streams   map[int64]streamState // opened in this session
	clockMark clockMark
}

type clockMark struct{ tNS, unixNS int64 }

func (w *writerState) prepare(ctx context.Context, db *sql.DB, tables [tableCount]table) (err error) {
	w.digest = newDigest(hash{}, 0, 0, 0, 0)
	w.args = make([]any, 0, readingsAtOnce*len(tables[tReading].columns))
	w.streams = map[int64]streamState{}
	if w.ledger, err = db.PrepareContext(ctx, "INSERT INTO ledger (id, session, t_ns, unix_ns, prev, hash, manifest) VALUES (?,?,?,?,?,?,?)"); err != nil {
		return err
	}
	for t, table := range tables {
		if w.insert[t], err = db.PrepareContext(ctx, table.insertSQL(1)); err != nil {
			return err
		}
	}
	w.readings, err = db.PrepareContext(ctx, tables[tReading].insertSQL(readingsAtOnce))
	return err
}

func (w *writerState) closeStatements() error {
	var errs []error
	for _, stmt := range append(w.insert[:], w.readings, w.ledger) {
		if stmt != nil {
			errs = append(errs, stmt.Close())
		}
	}
	return errors.Join(errs...)
}

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

// submit hands op to the writer and waits for the disk. ctx only bounds the
// wait for a turn: once begun, the answer is waited for, because a commit whose
// outcome nobody heard would be asked for twice.
func (s *Store) submit(ctx context.Context, op func(*change) error, done func()) (int64, error) {
	if s.o.ReadOnly {
		return 0, ErrReadOnly
	}
	r := &request{op: op, done: done, answer: make(chan answer, 1)}
	s.waiting.Add(1)
	defer s.waiting.Add(-1)
	select {
	case <-s.stop:
		return 0, ErrClosed
	default:
	}
	select {
	case s.requests <- r:
	case <-ctx.Done():
		return 0, ctx.Err()
	case <-s.stop:
		return 0, ErrClosed
	}
	a := <-r.answer
	return a.ledger, a.err
}

func (s *Store) write() {
	defer close(s.stopped)
	for {
		select {
		case r := <-s.requests:
			r.answer <- s.serve(r)
		case <-s.stop:
			return
		}
	}
}

// serve tries until the commit is on the disk or will not be.
func (s *Store) serve(r *request) answer {
	now := s.o.now()
	for attempt := 1; ; attempt++ {
		began := s.o.now()
		c := &change{s: s, ledger: s.w.head.id + 1, tNS: s.sinceStart(now), unixNS: now.UnixNano()}
		next, err := s.attempt(c, r.op, attempt)
		if err != nil && next.id != 0 && s.reached(next) { // COMMIT failed, and yet it is there
			err = nil
		}
		if err == nil {
			s.committed(c, next, r, began)
			return answer{ledger: s.w.head.id}
		}
		if no, ok := err.(refusal); ok {
			return answer{err: no.error}
		}
		if err = classify(err); errors.Is(err, ErrInvalid) {
			return answer{err: err}
		}
		if attempt == attempts || errors.Is(err, ErrStorageFull) {
			s.failed(err)
			return answer{err: err}
		}
		s.o.Logger.Warn("commit failed; trying again", "attempt", attempt, "cause", err)
		time.Sleep(time.Duration(attempt) * 20 * time.Millisecond)
	}
}

// refusal is what an op itself said no to; asking again is of no use.
type refusal struct{ error }

// reached re-reads the head and tells whether it is next.
func (s *Store) reached(next head) bool {
	return s.readHead() == nil && s.w.head == next
}

func (s *Store) readHead() error {
	var sum []byte
	var h head
	err := s.writer.QueryRow("SELECT id, hash FROM ledger ORDER BY id DESC LIMIT 1").Scan(&h.id, &sum)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	if err != nil {
		return err
	}
	copy(h.hash[:], sum)
	s.w.head = h
	return nil
}

// attempt runs one transaction. No context may interrupt it: a statement
// interrupted inside a transaction rolls it back silently, and what follows
// would be committed row by row. Any error gives the whole attempt up.
func (s *Store) attempt(c *change, op func(*change) error, attempt int) (next head, err error) {
	ctx := context.Background()
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return head{}, err
	}
	defer tx.Rollback() // no-op after Commit
	c.tx = tx
	if err := op(c); extendedCode(err) != 0 {
		return head{}, err
	} else if err != nil {
		return head{}, refusal{err}
	}
	if c.empty() {
		return s.w.head, nil
	}
	next = head{id: c.ledger, hash: c.seal()}
	if err := c.insert(ctx, next.hash); err != nil {
		return head{}, err
	}
	if s.o.beforeCommit != nil {
		if err := s.o.beforeCommit(attempt); err != nil {
			return head{}, err
		}
	}
	err = tx.Commit()
	if s.o.afterCommit != nil {
		err = s.o.afterCommit(attempt, err)
	}
	return next, err
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
