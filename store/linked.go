package store

import (
	"context"
	"encoding/json"
	"fmt"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/calibrate"
)

// register is the shop's register with all that it said before, to find what a
// stream was read from.
type register struct {
	ctx  context.Context
	q    querier
	list []*entry
}

// entry is an instrument of the register over time.
type entry struct {
	id      int64
	ledger  int64 // when it was registered
	history []entryState
	issued  []issued
	known   bool // issued is loaded
}

// entryState is what links an instrument, from a commit on.
type entryState struct {
	ledger                          int64
	kind, name, identity, benchName string
	retired                         bool
}

// issued is a certificate with what the fit takes of it.
type issued struct {
	Certificate
	correction *fit.Correction // shared by all sweeps
}

func loadRegister(ctx context.Context, q querier) (*register, error) {
	r := &register{ctx: ctx, q: q}
	type event struct {
		ledger, instrument, since int64
		kind, value               string
		record                    []byte
	}
	events, err := collect(ctx, q, func(row scanner) (e event, err error) {
		return e, row.Scan(&e.ledger, &e.instrument, &e.since, &e.kind, &e.value, &e.record)
	}, `SELECT v.ledger, v.instrument, i.ledger, v.kind, v.value, v.record_json FROM instrument_event v
		JOIN instrument i ON i.id = v.instrument ORDER BY v.instrument, v.id`)
	if err != nil {
		return nil, err
	}
	for _, e := range events {
		if n := len(r.list); n == 0 || r.list[n-1].id != e.instrument {
			r.list = append(r.list, &entry{id: e.instrument, ledger: e.since})
		}
		if err := r.list[len(r.list)-1].add(e.ledger, e.kind, e.value, e.record); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// add follows an event. What does not touch the linking is no state of its own.
func (e *entry) add(ledger int64, kind, value string, record []byte) error {
	var now entryState
	if n := len(e.history); n > 0 {
		now = e.history[n-1]
	}
	next := now
	if kind == "state" {
		next.retired = value == LibraryRetired
	} else {
		var r InstrumentRecord
		if err := json.Unmarshal(record, &r); err != nil {
			return fmt.Errorf("instrument %d of the register cannot be read; run `crownmark verify`: %w", e.id, err)
		}
		next.kind, next.name, next.identity, next.benchName = r.Kind, r.Name, r.Identity, r.BenchName
	}
	if next.ledger = now.ledger; next == now {
		return nil
	}
	next.ledger = ledger
	e.history = append(e.history, next)
	return nil
}

// kind is the instrument's, which never changes.
func (e *entry) kind() string { return e.history[0].kind }

// at is what linked the instrument after the commit ledger; nil: nothing yet.
func (e *entry) at(ledger int64) *entryState {
	for i := len(e.history) - 1; i >= 0; i-- {
		if e.history[i].ledger <= ledger {
			return &e.history[i]
		}
	}
	return nil
}

// of finds the instrument that a stream was read from when something was read
// at the commit ledger, and the commit that says so. What the register said then
// counts; where it said nothing, what it says now: many an instrument is
// registered after it was used. nil: not in the register.
func (r *register) of(kind acquire.Kind, identity, name string, ledger int64) (e *entry, since int64) {
	if e, since = r.match(kind, identity, name, ledger); e == nil {
		e, since = r.match(kind, identity, name, lastSeq)
	}
	return e, since
}

// match goes by identity, then by the bench's name for those that state none;
// one that is kept goes before one that is retired.
func (r *register) match(kind acquire.Kind, identity, name string, ledger int64) (found *entry, since int64) {
	best := 0
	for _, e := range r.list {
		s := e.at(ledger)
		if s == nil || s.kind != string(kind) {
			continue
		}
		rank := 0
		switch {
		case identity != "" && s.identity == identity && !s.retired:
			rank = 3
		case identity != "" && s.identity == identity:
			rank = 2
		case s.identity == "" && s.benchName != "" && s.benchName == name && !s.retired:
			rank = 1
		}
		if rank > best {
			best, found, since = rank, e, s.ledger
		}
	}
	return found, since
}

// certificates are the instrument's, in the order in which they were issued.
func (r *register) certificates(e *entry) ([]issued, error) {
	if e.known {
		return e.issued, nil
	}
	list, err := collect(r.ctx, r.q, scanCertificate, certificateQuery+"WHERE t.instrument = ? ORDER BY t.id", e.id)
	if err != nil {
		return nil, err
	}
	for _, c := range list {
		c.Document = nil
		e.issued = append(e.issued, issued{c, c.CertificateFacts.correction()})
	}
	e.known = true
	return e.issued, nil
}

// correction is what the fit takes; nil: there is none.
func (f CertificateFacts) correction() *fit.Correction {
	if len(f.Correction) == 0 {
		return nil
	}
	return calibrate.Correction(f.Correction)
}

// usesLedger is the last commit that changed how the instruments of a job's
// sweeps stood when these were made: what links them, and the certificate after.
func usesLedger(ctx context.Context, q querier, job int64) (last int64, err error) {
	r, err := loadRegister(ctx, q)
	if err != nil || len(r.list) == 0 {
		return 0, err
	}
	type made struct {
		ledger         int64
		identity, name string
	}
	list, err := collect(ctx, q, func(row scanner) (m made, err error) { return m, row.Scan(&m.ledger, &m.identity, &m.name) },
		"SELECT w.ledger, t.identity, w.indicator FROM sweep w JOIN stream t ON t.id = w.ind_stream WHERE w.job = ?", job)
	if err != nil {
		return 0, err
	}
	for _, m := range list {
		e, since := r.of(acquire.KindIndicator, m.identity, m.name, m.ledger)
		if e == nil {
			continue
		}
		var next int64
		if err := q.QueryRowContext(ctx, "SELECT coalesce(min(ledger), 0) FROM certificate WHERE instrument = ? AND ledger > ?", e.id, m.ledger).Scan(&next); err != nil {
			return 0, err
		}
		last = max(last, since, next)
	}
	return last, nil
}
