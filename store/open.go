package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
)

// oldestSQLite is the first release without the WAL faults that matter here.
const oldestSQLite = "3.51.3"

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
	return s.openReaders(file.immutable)
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
	keys := []string{"mode=rwc", "_journal_mode=WAL", "_synchronous=FULL", "_txlock=immediate", "_pragma=journal_size_limit(67108864)"}
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
	// SQLite does not report that the folder's entry for a new file or its WAL
	// did not reach the disk; a power cut would then take acknowledged rows.
	if err := s.o.syncDir(filepath.Dir(s.o.Path)); err != nil {
		return fmt.Errorf("sync the folder: %w", err)
	}
	if err := s.openReaders(false); err != nil {
		return err
	}
	return s.beginSession(ctx)
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

type fileState struct {
	version   int // 0: new or empty
	immutable bool
}

// probe looks at the file without changing it and refuses what is not ours.
func (s *Store) probe(ctx context.Context) (fileState, error) {
	if err := s.checkSQLite(ctx); err != nil {
		return fileState{}, err
	}
	info, err := os.Stat(s.o.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && !s.o.ReadOnly:
		return fileState{}, nil
	case err != nil:
		return fileState{}, err
	case info.IsDir():
		return fileState{}, fmt.Errorf("%w: it is a folder; name a file in it", ErrForeignFile)
	case info.Size() == 0:
		return fileState{}, nil
	}
	file, err := s.probeHeader(ctx, "mode=ro")
	if code := sqliteCode(err); s.o.ReadOnly && (code == codeCantOpen || code == codeReadOnly) && noWAL(s.o.Path) {
		// A folder that may not be written to: no -shm can be made, and none
		// is needed as long as nobody writes.
		file, err = s.probeHeader(ctx, "mode=ro", "immutable=1")
		file.immutable = true
	}
	if sqliteCode(err) == codeNotADB {
		return file, fmt.Errorf("%w: it is no database; name another file", ErrForeignFile)
	}
	return file, err
}

func (s *Store) probeHeader(ctx context.Context, keys ...string) (file fileState, err error) {
	db, err := sql.Open("sqlite", dsn(s.o.Path, keys...))
	if err != nil {
		return file, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var id int64
	var objects int
	err = db.QueryRowContext(ctx, `SELECT (SELECT application_id FROM pragma_application_id),
		(SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM sqlite_schema)`).Scan(&id, &file.version, &objects)
	switch {
	case err != nil:
		return file, classify(err)
	case id == 0 && file.version == 0 && objects == 0: // made, but the first migration never got through
		return file, nil
	case id != applicationID:
		return file, fmt.Errorf("%w: it belongs to another program (application id %#08x); name another file", ErrForeignFile, uint32(id))
	case file.version > len(s.o.migrations):
		return file, fmt.Errorf("%w (its schema is of version %d, this program knows %d)", ErrNewerFile, file.version, len(s.o.migrations))
	}
	return file, nil
}

func (s *Store) checkSQLite(ctx context.Context) error {
	version := s.o.sqliteVersion
	if version == "" {
		db, err := sql.Open("sqlite", "file::memory:")
		if err != nil {
			return err
		}
		defer db.Close()
		if err := db.QueryRowContext(ctx, "SELECT sqlite_version()").Scan(&version); err != nil {
			return err
		}
	}
	if !atLeast(version, oldestSQLite) {
		return fmt.Errorf("%w: %s, needed is %s or newer; rebuild this program with its pinned modules", ErrOldSQLite, version, oldestSQLite)
	}
	return nil
}

// atLeast compares dotted version numbers; what is not a number counts as 0.
func atLeast(version, oldest string) bool {
	v, o := strings.Split(version, "."), strings.Split(oldest, ".")
	for i := range o {
		var a int
		if i < len(v) {
			a, _ = strconv.Atoi(v[i])
		}
		if b, _ := strconv.Atoi(o[i]); a != b {
			return a > b
		}
	}
	return true
}

func noWAL(path string) bool {
	info, err := os.Stat(path + "-wal")
	return errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0
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
