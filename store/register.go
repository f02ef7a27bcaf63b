package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Kinds of instruments in the register.
const (
	RegisterIndicator = "indicator"
	RegisterEncoder   = "encoder"
	RegisterBlocks    = "blocks" // a set of gauge blocks: a reference
	RegisterHead      = "head"   // a micrometer head: a reference
)

// InstrumentRecord is what a shop writes down of an instrument, and the JSON
// that is kept. Zero: not said.
type InstrumentRecord struct {
	Kind         string `json:"kind"`
	Name         string `json:"name"` // unique among those kept
	SerialNumber string `json:"serial_number"`
	// Identity is what the system says of the device behind its port, as
	// Stream.Identity has it; BenchName is its name in the bench file. Either links
	// what is plugged in to this record; an identity goes before a name.
	Identity     string  `json:"identity"`
	BenchName    string  `json:"bench_name"`
	RangeMM      float64 `json:"range_mm"`
	ResolutionMM float64 `json:"resolution_mm"`
	IntervalDays int     `json:"interval_days"` // from one calibration to the next; DefaultIntervalDays if it is not said
	// A reference's own certificate, from outside.
	CertificateNumber string     `json:"certificate_number"`
	DueAt             *time.Time `json:"due_at"`
	U95MM             *float64   `json:"u95_mm"`       // expanded uncertainty of one of its values; nil: not known
	U95PerMMM         float64    `json:"u95_per_m_mm"` // what that grows by with each metre

	LimitsMM map[string]float64 `json:"limits_mm"` // by characteristic, see package calibrate
	Scheme   string             `json:"scheme"`    // how it is calibrated, unless a calibration says otherwise
	Notes    string             `json:"notes"`
}

// DefaultIntervalDays is the interval of an instrument that states none.
const DefaultIntervalDays = 365

// IsReference says whether others are held against it.
func (r InstrumentRecord) IsReference() bool {
	return r.Kind == RegisterBlocks || r.Kind == RegisterHead
}

// Instrument is an instrument of the register, as its events leave it. Its
// State is LibraryKept or LibraryRetired, as an engine's.
type Instrument struct {
	ID        int64
	Record    InstrumentRecord
	State     string
	Revision  int64 // 1 at first; each change of the record adds one
	CreatedAt time.Time
	ChangedAt time.Time // when the record was last changed
	Standing  InstrumentStanding
}

// InstrumentPatch changes what is not nil.
type InstrumentPatch struct {
	Record *InstrumentRecord // the whole of it
	State  *string
	Actor  string
}

// AddInstrument puts an instrument into the register. The same key with the
// same record returns the first call's and replayed; with another record,
// ErrKeyReused. Errors: RecordProblems, ErrTaken.
func (s *Store) AddInstrument(ctx context.Context, r InstrumentRecord, actor, idempotencyKey string) (added Instrument, replayed bool, err error) {
	text, err := recordText(&r)
	if err != nil {
		return Instrument{}, false, fmt.Errorf("add instrument: %w", err)
	}
	request := requestHash("", text, nil)
	id, replayed, err := s.addOnce(ctx, tInstrument, idempotencyKey, request, func(c *change, id int64) error {
		if err := c.free(0, r); err != nil {
			return err
		}
		c.add(tInstrument, id, actor, orNull(idempotencyKey), request)
		return c.addInstrumentEvent(id, "record", "", text, actor)
	})
	if err != nil {
		return Instrument{}, false, fmt.Errorf("add instrument: %w", err)
	}
	added, err = s.Instrument(ctx, id)
	return added, replayed, err
}

func (c *change) addInstrumentEvent(instrument int64, kind, value, recordJSON, actor string) error {
	id, err := c.nextID(tInstrumentEvent)
	if err != nil {
		return err
	}
	c.add(tInstrumentEvent, id, instrument, kind, value, orNull(recordJSON), actor)
	return nil
}

// recordText checks a record, fills in what has a default, and is its JSON.
func recordText(r *InstrumentRecord) (string, error) {
	if r.IntervalDays == 0 {
		r.IntervalDays = DefaultIntervalDays
	}
	if p := r.Problems(); len(p) > 0 {
		return "", p
	}
	b, err := json.Marshal(r)
	return string(b), err
}

// UpdateInstrument changes an instrument of the register; what is the same
// already adds nothing. Errors: ErrNotFound, RecordProblems, ErrTaken, and
// ErrInvalid for a state or another kind.
func (s *Store) UpdateInstrument(ctx context.Context, id int64, p InstrumentPatch) (Instrument, error) {
	if p.State != nil && *p.State != LibraryKept && *p.State != LibraryRetired {
		return Instrument{}, fmt.Errorf("instrument %d: %w: state %q; it is %q or %q", id, ErrInvalid, *p.State, LibraryKept, LibraryRetired)
	}
	var text string
	if p.Record != nil {
		var err error
		record := *p.Record
		if text, err = recordText(&record); err != nil {
			return Instrument{}, fmt.Errorf("instrument %d: %w", id, err)
		}
	}
	_, err := s.submit(ctx, func(c *change) error { return c.patchInstrument(id, p, text) }, nil)
	if err != nil {
		return Instrument{}, err
	}
	return s.Instrument(ctx, id)
}

func (c *change) patchInstrument(id int64, p InstrumentPatch, text string) error {
	now, err := loadRegistered(context.Background(), c.tx, id)
	if err != nil {
		return err
	}
	state, record := now.State, now.Record
	if p.State != nil {
		state = *p.State
	}
	if p.Record != nil {
		record = *p.Record
	}
	if record.Kind != now.Record.Kind {
		return fmt.Errorf("instrument %d: %w: it is kept as %q and stays so; put another one into the register", id, ErrInvalid, now.Record.Kind)
	}
	if state == LibraryKept {
		if err := c.free(id, record); err != nil {
			return err
		}
	}
	before, err := json.Marshal(now.Record)
	if err != nil {
		return err
	}
	var errs []error
	if state != now.State {
		errs = append(errs, c.addInstrumentEvent(id, "state", state, "", p.Actor))
	}
	if text != "" && text != string(before) {
		errs = append(errs, c.addInstrumentEvent(id, "record", "", text, p.Actor))
	}
	return errors.Join(errs...)
}

// free refuses what another kept instrument has already.
func (c *change) free(id int64, r InstrumentRecord) error {
	list, err := collect(context.Background(), c.tx, scanRegistered, registerQuery+"ORDER BY i.id")
	if err != nil {
		return err
	}
	for _, o := range list {
		if o.ID == id || o.State != LibraryKept {
			continue
		}
		for _, both := range [...]struct{ key, mine, other string }{
			{"name", r.Name, o.Record.Name}, {"identity", r.Identity, o.Record.Identity}, {"bench_name", r.BenchName, o.Record.BenchName},
		} {
			if both.mine != "" && both.mine == both.other {
				return &TakenError{Key: both.key, Value: both.mine, By: o.ID}
			}
		}
	}
	return nil
}

const registerQuery = `SELECT i.id, v.record_json,
	coalesce((SELECT value FROM instrument_event WHERE instrument = i.id AND kind = 'state' ORDER BY id DESC LIMIT 1), 'kept'),
	(SELECT count(*) FROM instrument_event WHERE instrument = i.id AND kind = 'record'),
	l.unix_ns, m.unix_ns
	FROM instrument i JOIN ledger l ON l.id = i.ledger
	JOIN instrument_event v ON v.id = (SELECT max(id) FROM instrument_event WHERE instrument = i.id AND kind = 'record')
	JOIN ledger m ON m.id = v.ledger `

func scanRegistered(row scanner) (i Instrument, err error) {
	var text []byte
	var madeNS, changedNS int64
	if err := row.Scan(&i.ID, &text, &i.State, &i.Revision, &madeNS, &changedNS); err != nil {
		return i, err
	}
	i.CreatedAt, i.ChangedAt = time.Unix(0, madeNS).UTC(), time.Unix(0, changedNS).UTC()
	if err := json.Unmarshal(text, &i.Record); err != nil {
		return i, fmt.Errorf("instrument %d of the register cannot be read; run `crownmark verify`: %w", i.ID, err)
	}
	return i, nil
}

// loadRegistered is an instrument without its standing.
func loadRegistered(ctx context.Context, q querier, id int64) (Instrument, error) {
	i, err := scanRegistered(q.QueryRowContext(ctx, registerQuery+"WHERE i.id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return Instrument{}, fmt.Errorf("instrument %d: %w", id, ErrNotFound)
	}
	return i, err
}

// Instrument returns one instrument of the register, or ErrNotFound.
func (s *Store) Instrument(ctx context.Context, id int64) (i Instrument, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		if i, err = loadRegistered(ctx, tx, id); err != nil {
			return err
		}
		i.Standing, err = s.standingOf(ctx, tx, i)
		return err
	})
	return i, err
}

// Instruments returns a page of the register by id, retired ones too, and the
// After of the next page, nil at the end.
func (s *Store) Instruments(ctx context.Context, p Page) (list []Instrument, next *int64, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		list, err = collect(ctx, tx, scanRegistered, registerQuery+"WHERE i.id > ? ORDER BY i.id LIMIT ?", p.After, p.limit()+1)
		if err == nil && len(list) > p.limit() {
			list = list[:p.limit()]
			next = &list[len(list)-1].ID
		}
		for i := range list {
			if err == nil {
				list[i].Standing, err = s.standingOf(ctx, tx, list[i])
			}
		}
		return err
	})
	return list, next, err
}

// Registered is the whole register by id, retired ones too, without standings.
func (s *Store) Registered(ctx context.Context) ([]Instrument, error) {
	return collect(ctx, s.readers, scanRegistered, registerQuery+"ORDER BY i.id")
}
