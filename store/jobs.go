package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"crownmark/fit/engine"
)

// Job states.
const (
	JobOpen   = "open"
	JobClosed = "closed"
)

// querier is a *sql.DB or a *sql.Tx.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// engineText is the JSON that is kept of an engine.
func engineText(e engine.Engine) (string, error) {
	kept, err := json.Marshal(e)
	if err != nil { // NaN or infinity
		return "", fmt.Errorf("%w: engine: %w", ErrInvalid, err)
	}
	return string(kept), nil
}

// CreateJob makes a job. The same IdempotencyKey with the same request returns
// the first call's job and replayed; with another request, ErrKeyReused.
func (s *Store) CreateJob(ctx context.Context, n NewJob) (job Job, replayed bool, err error) {
	text, err := engineText(n.Engine)
	if err != nil {
		return Job{}, false, fmt.Errorf("create job: %w", err)
	}
	name := cmp.Or(n.Name, n.Engine.Name)
	attributes, err := n.Attributes.texts()
	if err != nil {
		return Job{}, false, fmt.Errorf("create job: %w", err)
	}
	for key, id := range map[string]int64{attrLibrary: n.LibraryEngine, attrFollows: n.Follows} {
		if id != 0 {
			attributes[key] = fmt.Sprint(id)
		}
	}
	if o := n.Attributes.Order; o != nil && len(*o) > 0 && !n.Engine.IsOrder(*o) {
		return Job{}, false, fmt.Errorf("create job: %w", ErrNoOrder)
	}
	request := requestHash(name, text, attributes)
	id, replayed, err := s.addOnce(ctx, tJob, n.IdempotencyKey, request, func(c *change, id int64) error {
		c.add(tJob, id, name, n.Actor, orNull(n.IdempotencyKey), request)
		return errors.Join(c.addJobEvent(id, "engine", "", text, n.Actor), c.addAttributes(id, attributes, n.Actor))
	})
	if err != nil {
		return Job{}, false, fmt.Errorf("create job: %w", err)
	}
	job, err = s.Job(ctx, id)
	return job, replayed, err
}

// requestHash tells a request that is made twice from another one under the
// same key. Attributes that are not given count for nothing.
func requestHash(name, engineText string, attributes map[string]string) []byte {
	b := appendText(appendText(nil, name), engineText)
	for _, key := range slices.Sorted(maps.Keys(attributes)) {
		b = appendText(appendText(b, key), attributes[key])
	}
	sum := sha256.Sum256(b)
	return sum[:]
}

// addOnce has add make the next row of t, with its id, in one commit. The same key
// with the same request gives the first call's row and replayed; with another
// request, ErrKeyReused.
func (s *Store) addOnce(ctx context.Context, t tableID, key string, request []byte, add func(c *change, id int64) error) (id int64, replayed bool, err error) {
	_, err = s.submit(ctx, func(c *change) (err error) {
		replayed = false
		if id, err = c.rowOfKey(t, key, request); err != nil || id != 0 {
			replayed = err == nil
			return err
		}
		if id, err = c.nextID(t); err != nil {
			return err
		}
		return add(c, id)
	}, nil)
	return id, replayed, err
}

// rowOfKey is the row of t that was made under key, 0 if none was.
func (c *change) rowOfKey(t tableID, key string, request []byte) (id int64, err error) {
	if key == "" {
		return 0, nil
	}
	var before []byte
	err = c.tx.QueryRow("SELECT id, request_hash FROM "+c.s.tables[t].name+" WHERE idempotency_key = ?", key).Scan(&id, &before)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return 0, nil
	case err != nil:
		return 0, err
	case string(before) != string(request):
		return 0, ErrKeyReused
	}
	return id, nil
}

func orNull(text string) any {
	if text == "" {
		return nil
	}
	return text
}

func (c *change) addJobEvent(job int64, kind, value, engineJSON, actor string) error {
	id, err := c.nextID(tJobEvent)
	if err != nil {
		return err
	}
	c.add(tJobEvent, id, job, kind, value, orNull(engineJSON), actor)
	return nil
}

// UpdateJob changes a job; what is the same already adds nothing. A closed job
// takes changes only together with being opened. Errors: ErrNotFound,
// ErrJobClosed, ErrInvalid.
func (s *Store) UpdateJob(ctx context.Context, id int64, p JobPatch) (Job, error) {
	var text string
	if p.Engine != nil {
		var err error
		if text, err = engineText(*p.Engine); err != nil {
			return Job{}, fmt.Errorf("job %d: %w", id, err)
		}
	}
	if p.State != nil && *p.State != JobOpen && *p.State != JobClosed {
		return Job{}, fmt.Errorf("job %d: %w: state %q; it is %q or %q", id, ErrInvalid, *p.State, JobOpen, JobClosed)
	}
	attributes, err := p.texts()
	if err != nil {
		return Job{}, fmt.Errorf("job %d: %w", id, err)
	}
	_, err = s.submit(ctx, func(c *change) error { return c.patchJob(ctx, id, p, text, attributes) }, nil)
	if err != nil {
		return Job{}, err
	}
	return s.Job(ctx, id)
}

func (c *change) patchJob(ctx context.Context, id int64, p JobPatch, text string, attributes map[string]string) error {
	now, err := loadJob(context.WithoutCancel(ctx), c.tx, id)
	if err != nil {
		return err
	}
	if attributes, err = now.changed(attributes); err != nil {
		return err
	}
	of := now.Engine
	if p.Engine != nil {
		of = *p.Engine
	}
	if p.Order != nil && len(*p.Order) > 0 && !of.IsOrder(*p.Order) {
		return fmt.Errorf("job %d: %w", id, ErrNoOrder)
	}
	opens := p.State != nil && *p.State == JobOpen
	changes := p.Name != nil && *p.Name != now.Name || text != "" && text != string(now.EngineJSON) || len(attributes) > 0
	if now.State == JobClosed && !opens && changes {
		return fmt.Errorf("job %d: %w", id, ErrJobClosed)
	}
	var errs []error
	if p.State != nil && *p.State != now.State {
		errs = append(errs, c.addJobEvent(id, "state", *p.State, "", p.Actor))
	}
	if p.Name != nil && *p.Name != now.Name {
		errs = append(errs, c.addJobEvent(id, "name", *p.Name, "", p.Actor))
	}
	if text != "" && text != string(now.EngineJSON) {
		errs = append(errs, c.addJobEvent(id, "engine", "", text, p.Actor))
	}
	return errors.Join(append(errs, c.addAttributes(id, attributes, p.Actor))...)
}

const jobQuery = `SELECT j.id,
	coalesce((SELECT value FROM job_event WHERE job = j.id AND kind = 'name' ORDER BY id DESC LIMIT 1), j.name),
	coalesce((SELECT value FROM job_event WHERE job = j.id AND kind = 'state' ORDER BY id DESC LIMIT 1), 'open'),
	(SELECT engine_json FROM job_event WHERE job = j.id AND kind = 'engine' ORDER BY id DESC LIMIT 1),
	(SELECT count(*) FROM job_event WHERE job = j.id AND kind = 'engine'),
	coalesce((SELECT sign FROM direction WHERE job = j.id ORDER BY id DESC LIMIT 1), 0),
	o.simulated OR EXISTS (SELECT 1 FROM sweep w JOIN stream t ON t.id = w.ind_stream JOIN session p ON p.id = t.session
		WHERE w.job = j.id AND p.simulated),
	l.unix_ns,
	(SELECT cylinders_json FROM selection WHERE id = (SELECT max(id) FROM selection) AND job = j.id),
	` + attributesQuery + `
	FROM job j JOIN ledger l ON l.id = j.ledger JOIN session o ON o.id = l.session `

func scanJob(row scanner) (j Job, err error) {
	var unixNS int64
	var selected *string
	var attributes string
	if err := row.Scan(&j.ID, &j.Name, &j.State, &j.EngineJSON, &j.Revision, &j.DirectionSign, &j.Simulated, &unixNS, &selected, &attributes); err != nil {
		return j, err
	}
	j.CreatedAt = time.Unix(0, unixNS).UTC()
	if err := json.Unmarshal(j.EngineJSON, &j.Engine); err != nil {
		return j, fmt.Errorf("job %d: its kept engine cannot be read; run `crownmark verify`: %w", j.ID, err)
	}
	if selected != nil && j.State == JobOpen {
		if err := json.Unmarshal([]byte(*selected), &j.Selected); err != nil {
			return j, fmt.Errorf("job %d: its kept selection cannot be read; run `crownmark verify`: %w", j.ID, err)
		}
	}
	return j, j.takeAttributes(attributes)
}

func loadJob(ctx context.Context, q querier, id int64) (Job, error) {
	j, err := scanJob(q.QueryRowContext(ctx, jobQuery+"WHERE j.id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return Job{}, fmt.Errorf("job %d: %w", id, ErrNotFound)
	}
	return j, err
}

// Job returns one job, or ErrNotFound.
func (s *Store) Job(ctx context.Context, id int64) (Job, error) {
	return loadJob(ctx, s.readers, id)
}

// Jobs returns a page of jobs by id, and the After of the next page, nil at the end.
func (s *Store) Jobs(ctx context.Context, p Page) (jobs []Job, next *int64, err error) {
	jobs, err = collect(ctx, s.readers, scanJob, jobQuery+"WHERE j.id > ? ORDER BY j.id LIMIT ?", p.After, p.limit()+1)
	if err == nil && len(jobs) > p.limit() {
		jobs = jobs[:p.limit()]
		next = &jobs[len(jobs)-1].ID
	}
	return jobs, next, err
}

// All reads every page that list has.
func All[T any](list func(Page) (items []T, next *int64, err error)) (all []T, err error) {
	for p := (Page{Limit: maxPage}); ; {
		items, next, err := list(p)
		if err != nil {
			return nil, err
		}
		if all = append(all, items...); next == nil {
			return all, nil
		}
		p.After = *next
	}
}

const maxPage = 500

func (p Page) limit() int {
	if p.Limit <= 0 {
		return 100
	}
	return min(p.Limit, maxPage)
}

// scanner is a *sql.Row or *sql.Rows.
type scanner interface{ Scan(...any) error }

// collect reads a whole result and closes it: an open one would keep the WAL
// from being emptied.
func collect[T any](ctx context.Context, q querier, scan func(scanner) (T, error), query string, args ...any) (out []T, err error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}
