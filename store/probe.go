package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"
)

// oldestSQLite is the first release without the WAL faults that matter here.
const oldestSQLite = "3.51.3"

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
