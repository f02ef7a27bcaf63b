package store

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"time"
)

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
	return s.readHead(s.writer) == nil && s.w.head == next
}

func (s *Store) readHead(db *sql.DB) error {
	var sum []byte
	var h head
	err := db.QueryRow("SELECT id, hash FROM ledger ORDER BY id DESC LIMIT 1").Scan(&h.id, &sum)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	if err != nil {
		return err
	}
	copy(h.hash[:], sum)
	s.w.head = h
	s.mu.Lock()
	defer s.mu.Unlock()
	if h.id > 0 {
		s.stats.HeadLedger, s.stats.HeadHash = h.id, hex.EncodeToString(sum)
	}
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
