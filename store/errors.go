package store

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
)

var (
	// ErrNotFound: no such job, sweep or report.
	ErrNotFound = errors.New("not found")
	// ErrJobClosed: the job is closed; open it again first.
	ErrJobClosed = errors.New("the job is closed; open it again first")
	// ErrStorageFull: nothing of the request was kept, because the disk (or the
	// file) has no room left. The same request may be made again once there is.
	ErrStorageFull = errors.New("the disk has no room for readings; free some space, recording then goes on")
	// ErrForeignFile: the file belongs to another program, or to none.
	ErrForeignFile = errors.New("not a crownmark store")
	// ErrNewerFile: the file was written by a newer crownmark.
	ErrNewerFile = errors.New("written by a newer crownmark; use that one, or a backup made before it")
	// ErrOldSQLite: the SQLite inside this binary is too old to be trusted.
	ErrOldSQLite = errors.New("the SQLite inside is too old")
	// ErrReadOnly: the store was opened for reading.
	ErrReadOnly = errors.New("the store was opened for reading only")
	// ErrInUse: another process has the store open for writing.
	ErrInUse = errors.New("another crownmark has this store open for writing; stop it first, or open for reading")
	// ErrClosed: the store was closed.
	ErrClosed = errors.New("the store is closed")
	// ErrKeyReused: the idempotency key came before, with a different request.
	ErrKeyReused = errors.New("this idempotency key came before with a different request; use a new key")
	// ErrInvalid: the request cannot be kept as it is; asking again is of no use.
	ErrInvalid = errors.New("cannot be kept")
	// ErrNoOrder: a cylinder is missing in the order, stands in it twice, or is
	// none of the engine's. It wraps ErrInvalid.
	ErrNoOrder = fmt.Errorf("%w: the order must name every cylinder of the engine once", ErrInvalid)
	// ErrExists: the target of a backup exists already.
	ErrExists = errors.New("exists already; name another file")
)

// SQLite's result codes that decide something here (the last two extended).
const (
	codeReadOnly   = 8
	codeCorrupt    = 11
	codeFull       = 13
	codeCantOpen   = 14
	codeConstraint = 19
	codeNotADB     = 26
	codeWrite      = 778  // SQLITE_IOERR_WRITE: how a full disk shows while -shm grows
	codeShmSize    = 4874 // SQLITE_IOERR_SHMSIZE: likewise
)

// sqliteCode is err's primary code, 0 if SQLite did not say it.
func sqliteCode(err error) int { return extendedCode(err) & 0xff }

func extendedCode(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code()
	}
	return 0
}

// classify gives SQLite's errors the names that callers decide by.
func classify(err error) error {
	code := extendedCode(err)
	switch {
	case code == 0:
		return err
	case code&0xff == codeFull, code == codeWrite, code == codeShmSize:
		return fmt.Errorf("%w (%w)", ErrStorageFull, err)
	case code&0xff == codeConstraint:
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	case code&0xff == codeCorrupt:
		return fmt.Errorf("%w; the file is damaged: keep it, and go on with a backup", err)
	}
	return err
}
