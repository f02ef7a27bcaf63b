package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
)

// seams are what tests put in place of the world.
type seams struct {
	now           func() time.Time
	sqliteVersion string // "": ask SQLite
	migrations    []string
	pragmas       []string // further ones for the writer
	syncDir       func(dir string) error
	freeBytes     func(dir string) (int64, error)
	clockSynced   func() bool
	beforeCommit  func(attempt int) error
	afterCommit   func(attempt int, err error) error
}

func (o Options) withDefaults() (Options, error) {
	if o.Path == "" {
		return o, errors.New("store: no file named; give the path of the database")
	}
	var err error
	if o.Path, err = filepath.Abs(o.Path); err != nil {
		return o, err
	}
	if o.migrations == nil {
		if o.migrations, err = embeddedMigrations(); err != nil {
			return o, err
		}
	}
	if o.now == nil {
		o.now = time.Now
	}
	if o.syncDir == nil {
		o.syncDir = syncDir
	}
	if o.freeBytes == nil {
		o.freeBytes = freeBytes
	}
	if o.clockSynced == nil {
		o.clockSynced = clockSynced
	}
	return o, nil
}

// Open opens the store, makes it if there is none (not with ReadOnly), brings
// its schema up to date after a copy, and begins a session.
//
// Errors: ErrForeignFile, ErrNewerFile, ErrOldSQLite, ErrInUse, ErrStorageFull,
// fs.ErrNotExist for a missing file or folder.
func Open(ctx context.Context, o Options) (*Store, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	s := newStore(o)
	if err := s.lockFirmly(); err != nil {
		return nil, err
	}
	if o.ReadOnly {
		err = s.openReading(ctx)
	} else {
		err = s.openWriting(ctx)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open store %s: %w", o.Path, err), s.closeFiles())
	}
	return s, nil
}

// lockFirmly asks for locks that survive the closing of any other descriptor
// of the file in this process; ordinary ones do not, and an outsider would then
// remove the WAL from under us. Must come before the process's first open.
func (s *Store) lockFirmly() error {
	_, err := sqlite.OFDLocking(true)
	if errors.Is(err, sqlite.ErrOFDLockingUnavailable) {
		s.o.Logger.Warn("the database's locks are of the weak kind here; let no other program open the file", "store", s.o.Path, "cause", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("open store %s: %w; open stores before any other SQLite database", s.o.Path, err)
	}
	return nil
}

// dsn always is a file: URI (a plain name would ignore mode=ro), with checked
// keys only where there is one (a mistyped _pragma is silently ignored).
func dsn(path string, keys ...string) string {
	u := url.URL{Scheme: "file", Path: path, RawQuery: strings.Join(append(keys,
		"_busy_timeout=5000", "_foreign_keys=on", "_dqs=0", "_defensive=1", "_error_rc=1"), "&")}
	return u.String()
}

func (s *Store) openReading(ctx context.Context) error {
	file, err := s.probe(ctx)
	if err != nil {
		return err
	}
	if file.version == 0 {
		return fmt.Errorf("%w: it is empty; begin with `crownmark run`", ErrForeignFile)
	}
	if file.version < len(s.o.migrations) {
		return fmt.Errorf("its schema is of version %d, this program needs %d; open it for writing once, which brings it up to date after a copy", file.version, len(s.o.migrations))
	}
	if err := s.openReaders(file.immutable); err != nil {
		return err
	}
	return s.readHead(s.readers)
}

func (s *Store) openReaders(immutable bool) (err error) {
	s.readKeys = []string{"mode=ro"}
	if immutable {
		s.readKeys = append(s.readKeys, "immutable=1")
	}
	if s.readers, err = sql.Open("sqlite", dsn(s.o.Path, append(s.readKeys, "_query_only=1")...)); err != nil {
		return err
	}
	s.readers.SetMaxOpenConns(4)
	s.readers.SetMaxIdleConns(4)
	return nil
}

func (s *Store) openWriting(ctx context.Context) (err error) {
	if s.lock, err = lockFile(s.o.Path + "-lock"); err != nil {
		return err
	}
	file, err := s.probe(ctx)
	if err != nil {
		return err
	}
	keys := []string{"_journal_mode=WAL", "_synchronous=FULL", "_txlock=immediate", "_pragma=journal_size_limit(67108864)"}
	for _, p := range s.o.pragmas {
		keys = append(keys, "_pragma="+url.QueryEscape(p))
	}
	if s.writer, err = sql.Open("sqlite", dsn(s.o.Path, keys...)); err != nil {
		return err
	}
	s.writer.SetMaxOpenConns(1)
	if err := s.checkPragmas(ctx); err != nil {
		return err
	}
	if err := migrate(ctx, s.writer, s.o.Path, file.version, s.o.migrations); err != nil {
		return err
	}
	if err := s.openReaders(false); err != nil {
		return err
	}
	if err := s.beginSession(ctx); err != nil {
		return err
	}
	// SQLite does not report that the folder's entry for a new file or its WAL
	// did not reach the disk; a power cut would then take acknowledged rows.
	// Both are there now.
	if err := s.o.syncDir(filepath.Dir(s.o.Path)); err != nil {
		return fmt.Errorf("sync the folder: %w", err)
	}
	go s.write()
	return nil
}

// checkPragmas reads back what must hold for "recorded" to mean recorded.
func (s *Store) checkPragmas(ctx context.Context) error {
	for _, p := range []struct{ name, want string }{
		{"journal_mode", "wal"}, {"synchronous", "2"}, {"foreign_keys", "1"},
	} {
		var got string
		if err := s.writer.QueryRowContext(ctx, "PRAGMA "+p.name).Scan(&got); err != nil {
			return classify(err)
		}
		if got != p.want {
			return fmt.Errorf("SQLite keeps %s at %q instead of %q; is the folder on a network drive? Use a local disk", p.name, got, p.want)
		}
	}
	return nil
}

// lockFile keeps a second writer out for the life of this process. It is a
// file of its own: the database must not be opened by hand.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = ErrInUse
		}
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func freeBytes(dir string) (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return int64(st.Bavail) * int64(st.Bsize), nil
}

// clockSynced tells whether the kernel says that something steers its clock.
func clockSynced() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}
