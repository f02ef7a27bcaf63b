package certificate

import (
	"context"
	"fmt"

	"crownmark/dashboards/report"
	"crownmark/store"
)

// Keeper is what Follow needs of a store.
type Keeper interface {
	Certificate(ctx context.Context, number int64) (store.Certificate, error)
	CalibrationStanding(ctx context.Context, id, ledger int64) (store.CalibrationStanding, error)
	EncoderStanding(ctx context.Context, instrument, job, ledger int64) (store.EncoderStanding, error)
}

// Finding is what Follow found.
type Finding struct {
	OK         bool     `json:"ok"`
	Number     int64    `json:"number"`
	Instrument int64    `json:"instrument"`
	Hash       string   `json:"hash"` // of the document as it is now
	Figures    int      `json:"figures"`
	Rule       string   `json:"rule"`     // how figures were compared
	Problems   []string `json:"problems"` // what does not follow, results first
}

// Makers are what a document is made with.
type Makers struct {
	Software string
	Evaluate Evaluator
	Solve    report.Solver
}

// Follow makes an issued certificate's document again, from the raw readings as
// they stood when it was issued, and compares every figure. An error means that
// it could not be done; what does not follow is in the finding.
func Follow(ctx context.Context, k Keeper, number int64, m Makers) (Finding, error) {
	c, err := k.Certificate(ctx, number)
	if err != nil {
		return Finding{}, err
	}
	frozen, err := parse(c)
	if err != nil {
		return Finding{}, err
	}
	f := Finding{Number: number, Instrument: c.Instrument, Hash: report.HashOf(c.Document), Problems: []string{}}
	if f.Hash != c.Hash {
		f.Problems = append(f.Problems, "the document itself: its hash is "+f.Hash+", and "+c.Hash+" was kept when it was issued")
	}
	now, err := again(ctx, k, c, frozen, m)
	if err != nil {
		return f, fmt.Errorf("certificate %d: %w", number, err)
	}
	then, maker := report.Maker{Software: frozen.Software, Platform: frozen.Platform}, report.Maker{Software: now.Software, Platform: now.Platform}
	now.Software, now.Platform, now.Number, now.Version, now.IssuedAt = frozen.Software, frozen.Platform, c.Number, c.Version, &c.IssuedAt
	r, err := report.Compare(c.Document, now, then, maker)
	if err != nil {
		return f, fmt.Errorf("certificate %d: %w", number, err)
	}
	f.Rule, f.Figures, f.Problems = r.Rule, r.Figures, append(f.Problems, r.Problems...)
	f.OK = len(f.Problems) == 0
	return f, nil
}

// again is the document as it follows from what the store held then.
func again(ctx context.Context, k Keeper, c store.Certificate, frozen Document, m Makers) (Document, error) {
	if c.Job == 0 {
		st, err := k.CalibrationStanding(ctx, c.Calibration, frozen.Ledger.ID)
		if err != nil {
			return Document{}, err
		}
		return Draft(st, m.Software, m.Evaluate)
	}
	st, err := k.EncoderStanding(ctx, c.Instrument, c.Job, frozen.Ledger.ID)
	if err != nil {
		return Document{}, err
	}
	index, err := m.Solve(st.Input)
	if err != nil {
		return Document{}, err
	}
	return DraftEncoder(st, m.Software, index), nil
}
