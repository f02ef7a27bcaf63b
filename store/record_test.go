package store

import (
	"context"
	"testing"

	"crownmark/acquire"
)

func TestRecordThenRead(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.record(acquire.Batch{Selections: []acquire.Selection{{Job: job.ID, Cylinders: map[string]int{"left": 1}, Actor: "test"}}})
	b.confirmDirection(1)
	id := b.sweep(200, 5)
	w := must[Sweep](t)(s.Sweep(context.Background(), id))
	if w.State != SweepComplete || w.Readings != 200 || w.Direction != 1 || w.Cause != "reversal" || w.Mount != 1 || w.Setup != 1 || w.Zeroing != 1 {
		t.Errorf("sweep: %+v", w)
	}
	in, revision, err := s.Input(context.Background(), job.ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(in.Sweeps) != 1 || len(in.Sweeps[0].Height.T) != 200 || !in.DirectionConfirmed || !in.Sweeps[0].DeckZero {
		t.Errorf("input: %+v", in)
	}
	// The sweep's 200 readings and those within 2 s, at 20 ms.
	if n := len(in.Sweeps[0].Encoder.T); n != 400 {
		t.Errorf("%d encoder readings", n)
	}
	if again := must[string](t)(s.Revision(context.Background(), job.ID)); again != revision {
		t.Errorf("revision %q, then %q", revision, again)
	}
	report := verifyOK(t, s)
	if stats := s.Stats(); stats.HeadHash != report.HeadHash || stats.Rows != report.Rows || stats.Commits != report.Ledgers {
		t.Errorf("stats %+v, verify %+v", stats, report)
	}
}
