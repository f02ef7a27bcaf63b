package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"crownmark/fit/engine"
)

// States of an engine in the library.
const (
	LibraryKept    = "kept"
	LibraryRetired = "retired" // no longer offered for new jobs
)

// LibraryEngine is an engine in the shop's library, as its events leave it.
// What is done to it later never touches a job: each has its own copy.
type LibraryEngine struct {
	ID         int64
	Engine     engine.Engine
	EngineJSON []byte // Engine in JSON, as kept
	State      string // LibraryKept or LibraryRetired
	Revision   int64  // 1 at first; each change of the engine adds one
	CreatedAt  time.Time
	ChangedAt  time.Time // when the engine was last changed
}

// LibraryPatch changes what is not nil.
type LibraryPatch struct {
	Engine *engine.Engine // checked
	State  *string
	Actor  string
}

// AddEngine puts an engine, which must have been checked, into the library.
// The same key with the same engine returns the first call's and replayed;
// with another engine, ErrKeyReused.
func (s *Store) AddEngine(ctx context.Context, e engine.Engine, actor, idempotencyKey string) (added LibraryEngine, replayed bool, err error) {
	text, err := engineText(e)
	if err != nil {
		return LibraryEngine{}, false, fmt.Errorf("add engine: %w", err)
	}
	request := requestHash("", text, nil)
	id, replayed, err := s.addOnce(ctx, tLibraryEngine, idempotencyKey, request, func(c *change, id int64) error {
		c.add(tLibraryEngine, id, actor, orNull(idempotencyKey), request)
		return c.addLibraryEvent(id, "engine", "", text, actor)
	})
	if err != nil {
		return LibraryEngine{}, false, fmt.Errorf("add engine: %w", err)
	}
	added, err = s.LibraryEngine(ctx, id)
	return added, replayed, err
}

func (c *change) addLibraryEvent(engine int64, kind, value, engineJSON, actor string) error {
	id, err := c.nextID(tLibraryEvent)
	if err != nil {
		return err
	}
	c.add(tLibraryEvent, id, engine, kind, value, orNull(engineJSON), actor)
	return nil
}

// UpdateEngine changes an engine of the library; what is the same already adds
// nothing. Errors: ErrNotFound, ErrInvalid.
func (s *Store) UpdateEngine(ctx context.Context, id int64, p LibraryPatch) (LibraryEngine, error) {
	var text string
	if p.Engine != nil {
		var err error
		if text, err = engineText(*p.Engine); err != nil {
			return LibraryEngine{}, fmt.Errorf("engine %d: %w", id, err)
		}
	}
	if p.State != nil && *p.State != LibraryKept && *p.State != LibraryRetired {
		return LibraryEngine{}, fmt.Errorf("engine %d: %w: state %q; it is %q or %q", id, ErrInvalid, *p.State, LibraryKept, LibraryRetired)
	}
	_, err := s.submit(ctx, func(c *change) error {
		now, err := loadLibraryEngine(context.WithoutCancel(ctx), c.tx, id)
		if err != nil {
			return err
		}
		var errs []error
		if p.State != nil && *p.State != now.State {
			errs = append(errs, c.addLibraryEvent(id, "state", *p.State, "", p.Actor))
		}
		if text != "" && text != string(now.EngineJSON) {
			errs = append(errs, c.addLibraryEvent(id, "engine", "", text, p.Actor))
		}
		return errors.Join(errs...)
	}, nil)
	if err != nil {
		return LibraryEngine{}, err
	}
	return s.LibraryEngine(ctx, id)
}

const libraryQuery = `SELECT e.id,
	v.engine_json,
	coalesce((SELECT value FROM library_event WHERE engine = e.id AND kind = 'state' ORDER BY id DESC LIMIT 1), 'kept'),
	(SELECT count(*) FROM library_event WHERE engine = e.id AND kind = 'engine'),
	l.unix_ns, m.unix_ns
	FROM library_engine e JOIN ledger l ON l.id = e.ledger
	JOIN library_event v ON v.id = (SELECT max(id) FROM library_event WHERE engine = e.id AND kind = 'engine')
	JOIN ledger m ON m.id = v.ledger `

func scanLibraryEngine(row scanner) (e LibraryEngine, err error) {
	var madeNS, changedNS int64
	if err := row.Scan(&e.ID, &e.EngineJSON, &e.State, &e.Revision, &madeNS, &changedNS); err != nil {
		return e, err
	}
	e.CreatedAt, e.ChangedAt = time.Unix(0, madeNS).UTC(), time.Unix(0, changedNS).UTC()
	if err := json.Unmarshal(e.EngineJSON, &e.Engine); err != nil {
		return e, fmt.Errorf("engine %d of the library cannot be read; run `crownmark verify`: %w", e.ID, err)
	}
	return e, nil
}

func loadLibraryEngine(ctx context.Context, q querier, id int64) (LibraryEngine, error) {
	e, err := scanLibraryEngine(q.QueryRowContext(ctx, libraryQuery+"WHERE e.id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return LibraryEngine{}, fmt.Errorf("engine %d: %w", id, ErrNotFound)
	}
	return e, err
}

// LibraryEngine returns one engine of the library, or ErrNotFound.
func (s *Store) LibraryEngine(ctx context.Context, id int64) (LibraryEngine, error) {
	return loadLibraryEngine(ctx, s.readers, id)
}

// LibraryEngines returns a page of the library by id, and the After of the
// next page, nil at the end.
func (s *Store) LibraryEngines(ctx context.Context, p Page) (engines []LibraryEngine, next *int64, err error) {
	engines, err = collect(ctx, s.readers, scanLibraryEngine, libraryQuery+"WHERE e.id > ? ORDER BY e.id LIMIT ?", p.After, p.limit()+1)
	if err == nil && len(engines) > p.limit() {
		engines = engines[:p.limit()]
		next = &engines[len(engines)-1].ID
	}
	return engines, next, err
}
