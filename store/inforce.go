package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"crownmark/fit/calibrate"
)

// States of an instrument's calibration.
const (
	StandingNone    = "none"     // never calibrated
	StandingInForce = "in_force" // and not due soon
	StandingDueSoon = "due_soon" // in force, and due within DueSoonDays
	StandingExpired = "expired"  // it was due
	StandingFailed  = "failed"   // its latest certificate says that it is not good
)

// Standings are all of these states.
func Standings() []string {
	return []string{StandingNone, StandingInForce, StandingDueSoon, StandingExpired, StandingFailed}
}

// DueSoonDays before it is due a calibration is StandingDueSoon.
const DueSoonDays = 30

// CertificateFacts are what the store reads in a certificate's document; the
// rest of it is the business of who wrote it.
type CertificateFacts struct {
	Overall    string           // of package calibrate's verdicts; "": not judged
	DueAt      *time.Time       // nil: it does not end
	Correction []calibrate.Knot // of an indicator
	Simulated  bool
}

// Good says whether the instrument may be used by this certificate.
func (f CertificateFacts) Good() bool {
	return f.Overall != calibrate.Fail && f.Overall != calibrate.ConditionalFail
}

func factsOf(document []byte) (CertificateFacts, error) {
	var d struct {
		Overall   string     `json:"overall"`
		DueAt     *time.Time `json:"due_at"`
		Simulated bool       `json:"simulated"`
		Result    *struct {
			Correction []calibrate.Knot `json:"correction"`
		} `json:"result"`
	}
	if err := json.Unmarshal(document, &d); err != nil {
		return CertificateFacts{}, fmt.Errorf("the certificate's document: %w", err)
	}
	f := CertificateFacts{Overall: d.Overall, DueAt: d.DueAt, Simulated: d.Simulated}
	if d.Result != nil {
		f.Correction = d.Result.Correction
	}
	return f, nil
}

// InstrumentStanding is how an instrument stands with its calibration.
type InstrumentStanding struct {
	State       string       // of StandingNone …
	Certificate *Certificate // the latest, without its document; nil: none. A reference's own is in its record.
	DueAt       *time.Time   // nil: it does not end, or there is none
	LastCheckAt *time.Time   // nil: never checked
	LastCheckMM *float64     // reading − reference of that
}

// stateAt is the state by a certificate that is due at due.
func stateAt(good bool, due *time.Time, now time.Time) string {
	switch {
	case !good:
		return StandingFailed
	case due == nil:
		return StandingInForce
	case now.After(*due):
		return StandingExpired
	case now.AddDate(0, 0, DueSoonDays).After(*due):
		return StandingDueSoon
	}
	return StandingInForce
}

func (s *Store) standingOf(ctx context.Context, q querier, i Instrument) (st InstrumentStanding, err error) {
	now := s.o.now()
	if i.Record.IsReference() {
		st.State = StandingNone
		if i.Record.CertificateNumber != "" || i.Record.DueAt != nil {
			st.DueAt = i.Record.DueAt
			st.State = stateAt(true, st.DueAt, now)
		}
		return st, nil
	}
	check, err := lastCheck(ctx, q, i.ID)
	if err != nil {
		return st, err
	}
	if check != nil {
		deviation := check.ErrorMM()
		st.LastCheckAt, st.LastCheckMM = &check.At, &deviation
	}
	list, err := collect(ctx, q, scanCertificate, certificateQuery+"WHERE t.instrument = ? ORDER BY t.id DESC LIMIT 1", i.ID)
	if err != nil || len(list) == 0 {
		st.State = StandingNone
		return st, err
	}
	last := list[0]
	last.Document = nil
	st.Certificate, st.DueAt, st.State = &last, last.DueAt, stateAt(last.Good(), last.DueAt, now)
	return st, nil
}
