package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Store is an open store. Its methods may be called from any goroutine.
type Store struct {
	o        Options
	tables   [tableCount]table
	lock     *os.File // nil with ReadOnly
	writer   *sql.DB  // nil with ReadOnly; used by the writer goroutine alone
	readers  *sql.DB
	readKeys []string // how readers open the file

	start    time.Time // of the session, with its monotonic clock
	session  int64
	requests chan *request
	stop     chan struct{} // closed by Close
	stopped  chan struct{} // closed by the writer goroutine
	closing  sync.Once
	closeErr error
	waiting  atomic.Int64

	w writerState // touched by the writer goroutine alone

	mu        sync.Mutex // guards what follows
	listeners []func(Commit)
	stats     Stats
}

func newStore(o Options) *Store {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Store{o: o, tables: tables(), start: o.now(),
		requests: make(chan *request), stop: make(chan struct{}), stopped: make(chan struct{})}
	s.stats = Stats{Storage: StorageOK}
	return s
}

// Clock returns the session's clock: monotonic nanoseconds since its start.
// The bench must stamp readings with it.
func (s *Store) Clock() func() int64 {
	return func() int64 { return s.sinceStart(s.o.now()) }
}

func (s *Store) sinceStart(t time.Time) int64 { return int64(t.Sub(s.start)) }

// Close waits for the request being written, refuses those behind it, and
// closes the files. It may be called more than once.
func (s *Store) Close() error {
	s.closing.Do(func() {
		if s.writer != nil {
			close(s.stop)
			<-s.stopped
		}
		s.closeErr = s.closeFiles()
	})
	return s.closeErr
}

// closeFiles closes readers first: the last connection to go empties the WAL,
// which a reader may not.
func (s *Store) closeFiles() error {
	var errs []error
	if s.readers != nil {
		errs = append(errs, s.readers.Close())
	}
	errs = append(errs, s.w.closeStatements())
	if s.writer != nil {
		errs = append(errs, s.writer.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// beginSession makes the session's first commit; the writer does not run yet.
func (s *Store) beginSession(ctx context.Context) error {
	if err := s.w.prepare(ctx, s.writer, s.tables); err != nil {
		return err
	}
	if err := s.readHead(s.writer); err != nil {
		return err
	}
	r := &request{op: s.addSession}
	return s.serve(r).err
}

func (s *Store) addSession(c *change) error {
	if err := s.addBench(c); err != nil {
		return err
	}
	session, err := c.nextID(tSession)
	if err != nil {
		return err
	}
	s.session = session
	c.add(tSession, session, bootID(), s.start.UnixNano(), s.o.Software, s.o.Simulated)
	return s.addClockMark(c)
}

// addBench tells whose store this is, if that is new.
func (s *Store) addBench(c *change) error {
	var uid, name string
	err := c.tx.QueryRow("SELECT uid, name FROM bench ORDER BY id DESC LIMIT 1").Scan(&uid, &name)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		uid = rand.Text()
	case err != nil:
		return err
	case name == s.o.BenchName || s.o.BenchName == "":
		return nil
	}
	id, err := c.nextID(tBench)
	if err != nil {
		return err
	}
	c.add(tBench, id, uid, s.o.BenchName, s.start.UnixNano(), nil)
	return nil
}

// bootID tells restarts of the machine from restarts of the program.
func bootID() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// Writable says whether what is handed in now would be kept; nil: yes. After a
// failed commit it tries another one, so that the answer is a proof.
func (s *Store) Writable(ctx context.Context) error {
	if s.o.ReadOnly {
		return ErrReadOnly
	}
	select {
	case <-s.stop:
		return ErrClosed
	default:
	}
	s.mu.Lock()
	storage := s.stats.Storage
	s.mu.Unlock()
	if storage == StorageOK {
		return nil
	}
	// The last corner may take a small commit, and not the next batch.
	if free, err := s.o.freeBytes(filepath.Dir(s.o.Path)); storage == StorageFull && err == nil && free < fullBytes {
		return fmt.Errorf("store %s: %w", s.o.Path, ErrStorageFull)
	}
	if _, err := s.submit(ctx, s.addClockMark, nil); err != nil {
		return fmt.Errorf("store %s: %w", s.o.Path, err)
	}
	return nil
}
