package store

import (
	"slices"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
)

// use is how an instrument stood when a sweep was made with it.
type use struct {
	entry   *entry  // nil: not in the register
	applied *issued // the certificate in force then; nil: none
	next    *issued // the one after it; nil: none yet
	state   string  // of package fit's
}

// use finds how the instrument stood at the commit ledger, at the moment at. A
// certificate of a virtual bench says nothing of a real one.
func (r *register) use(e *entry, ledger int64, at time.Time, simulated bool) (u use, err error) {
	if u.entry = e; e == nil {
		return u, nil
	}
	list, err := r.certificates(e)
	if err != nil {
		return u, err
	}
	for i := range list {
		switch c := &list[i]; {
		case c.Simulated != simulated:
		case c.ledger <= ledger:
			u.applied = c
		case u.next == nil:
			u.next = c
		}
	}
	u.state = u.stateAt(ledger, at)
	return u, nil
}

func (u use) stateAt(ledger int64, at time.Time) string {
	c := u.applied
	switch {
	case c != nil && !c.Good():
		return fit.CalibrationFailed
	case u.next != nil && !u.next.Good():
		return fit.CalibrationDoubted
	case c == nil && u.entry.ledger > ledger:
		return "" // nobody kept it in the register then
	case c == nil:
		return fit.CalibrationNoneMade
	case stateAt(true, c.DueAt, at) == StandingExpired:
		return fit.CalibrationExpired
	}
	return fit.CalibrationInForce
}

// put hands the fit what it needs of it. An instrument that failed has no
// correction: what it showed then cannot be said.
func (u use) put(sw *fit.Sweep) {
	sw.Calibrated.State = u.state
	if u.applied != nil {
		sw.Calibrated.Certificate = u.applied.Number
		if u.applied.Good() {
			sw.Correction = u.applied.correction
		}
	}
}

// Applied says by which calibration sweeps were made.
type Applied struct {
	Instrument  int64  // in the register
	Name        string // its name there
	Indicator   string // the bench's name; an encoder's too
	Certificate *Certificate
	State       string  // of package fit's: fit.CalibrationInForce …
	Sweeps      []int64 // in the order in which they were made
}

// applied groups the sweeps by instrument, certificate and state: their
// indicators, then their encoders. What is in no register is left out.
func (l *loader) applied() (list []Applied, err error) {
	for i := range l.sweeps {
		w := &l.sweeps[i]
		list = addApplied(list, l.uses[w.ID], w.Indicator, w.ID)
	}
	for i := range l.sweeps {
		w := &l.sweeps[i]
		if w.AngleUDeg > 0 {
			continue
		}
		e, _ := l.register.of(acquire.KindEncoder, w.encIdentity, w.encName, w.ledger)
		u, err := l.register.use(e, w.ledger, w.StartedAt, w.Simulated)
		if err != nil {
			return nil, err
		}
		list = addApplied(list, u, w.encName, w.ID)
	}
	return list, nil
}

func addApplied(list []Applied, u use, name string, sweep int64) []Applied {
	if u.state == "" {
		return list
	}
	a := Applied{Instrument: u.entry.id, Name: u.entry.history[len(u.entry.history)-1].name, Indicator: name, State: u.state}
	if u.applied != nil {
		a.Certificate = &u.applied.Certificate
	}
	at := slices.IndexFunc(list, func(b Applied) bool {
		return b.Instrument == a.Instrument && b.Indicator == a.Indicator && b.Certificate == a.Certificate && b.State == a.State
	})
	if at < 0 {
		at, list = len(list), append(list, a)
	}
	list[at].Sweeps = append(list[at].Sweeps, sweep)
	return list
}
