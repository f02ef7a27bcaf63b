package certificate

import (
	"time"

	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

// DraftEncoder makes the document of an encoder by what one job saw of it,
// without a number. index is the job's.
func DraftEncoder(s store.EncoderStanding, software string, index fit.Index) Document {
	r := calibrate.Encoder(s.Input, index, s.Pulses)
	d := blank(s.Instrument, software)
	d.Ledger, d.Simulated, d.Job = Ledger{s.Ledger, s.LedgerHash}, s.Job.Simulated || index.Simulated, &s.Job.ID
	d.Encoder, d.Overall, d.Rule = &r, r.Overall, r.Rule
	d.Cautions = append(d.Cautions, r.Notes...)
	last := s.Job.CreatedAt
	for _, w := range s.Sweeps {
		if w.StartedAt.After(last) {
			last = w.StartedAt
		}
	}
	d.DueAt = dueAfter(s.Instrument.Record, last)
	return d
}

// dueAfter counts the interval from when all was measured.
func dueAfter(r store.InstrumentRecord, at time.Time) *time.Time {
	due := at.AddDate(0, 0, r.IntervalDays)
	return &due
}
