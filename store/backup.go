package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// Backup writes a copy of the store as it is now to file, while recording goes
// on. The copy is whole or not there. Errors: ErrExists, ErrStorageFull.
func (s *Store) Backup(ctx context.Context, file string) error {
	// The pool's connections may not run VACUUM INTO: query_only forbids it.
	db, err := sql.Open("sqlite", dsn(s.o.Path, s.readKeys...))
	if err == nil {
		err = errors.Join(copyDB(ctx, db, file, s.o.syncDir), db.Close())
	}
	if err != nil {
		return fmt.Errorf("backup to %s: %w", file, err)
	}
	return nil
}

// copyBefore keeps the file as it was before a migration, beside it.
func copyBefore(ctx context.Context, db *sql.DB, path string, version int) error {
	for n := 1; ; n++ {
		target := fmt.Sprintf("%s.version-%d-copy-%d", path, version, n)
		err := copyDB(ctx, db, target, syncDir)
		if !errors.Is(err, ErrExists) {
			return err
		}
	}
}

// copyDB copies under another name first, so that nobody finds half a copy.
func copyDB(ctx context.Context, db *sql.DB, file string, syncDir func(string) error) (err error) {
	if _, err := os.Lstat(file); err == nil {
		return ErrExists
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	dir := filepath.Dir(file)
	temp, err := os.MkdirTemp(dir, ".crownmark-copy-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(temp)) }()
	half := filepath.Join(temp, "copy.db")
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", half); err != nil {
		return classify(err)
	}
	if err := syncFile(half); err != nil {
		return err
	}
	if err := renameNew(half, file); err != nil {
		return err
	}
	return syncDir(dir)
}

// renameNew refuses a target that appeared meanwhile, where the file system can.
func renameNew(from, to string) error {
	err := unix.Renameat2(unix.AT_FDCWD, from, unix.AT_FDCWD, to, unix.RENAME_NOREPLACE)
	switch {
	case errors.Is(err, unix.EEXIST):
		return ErrExists
	case errors.Is(err, unix.EINVAL), errors.Is(err, unix.ENOSYS):
		return os.Rename(from, to)
	}
	return err
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
