package store

import (
	"context"
	"errors"
	"math"
	"testing"

	"crownmark/acquire"
)

// A press that was a mistake is set aside and taken back in, again and again;
// the press itself stays where it is.
func TestPressesAreSetAside(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.record(b.turn(20, 5))
	var presses []acquire.MarkPress
	for i := range 3 {
		presses = append(presses, acquire.MarkPress{Job: job.ID, MarkDeg: -5, EncStream: b.enc, EncSeq: b.encSeq, Approach: 1, AtNS: b.tNS + int64(i)})
	}
	b.record(acquire.Batch{Marks: presses})
	m := must[Mark](t)(s.MarkOf(ctx, presses[2]))
	if m.ID != 3 || m.Job != job.ID || m.MarkDeg != -5 || m.Approach != 1 || m.SetAside || m.At.IsZero() {
		t.Fatalf("%+v", m)
	}
	if m = must[Mark](t)(s.SetMarkAside(ctx, 3, "bounced", "page")); !m.SetAside || m.Reason != "bounced" {
		t.Errorf("%+v", m)
	}
	head := s.Stats().HeadLedger
	if m = must[Mark](t)(s.SetMarkAside(ctx, 3, "again", "page")); m.Reason != "bounced" || s.Stats().HeadLedger != head {
		t.Errorf("a second time: %+v", m)
	}
	in, _ := input(t, s, job.ID)
	if len(in.Marks) != 2 || in.Marks[1].ID != 2 {
		t.Errorf("marks %+v", in.Marks)
	}
	page, next, err := s.Marks(ctx, job.ID, Page{Limit: 2})
	rest, end, err2 := s.Marks(ctx, job.ID, Page{Limit: 2, After: *next})
	if err != nil || err2 != nil || len(page) != 2 || len(rest) != 1 || !rest[0].SetAside || end != nil {
		t.Errorf("%+v %+v", page, rest)
	}
	if m = must[Mark](t)(s.RestoreMark(ctx, 3, "page")); m.SetAside || m.Reason != "" {
		t.Errorf("%+v", m)
	}
	if in, _ = input(t, s, job.ID); len(in.Marks) != 3 {
		t.Errorf("marks %+v", in.Marks)
	}
	closed := JobClosed
	must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{State: &closed}))
	for what, err := range map[error]error{ErrJobClosed: second(s.SetMarkAside(ctx, 3, "", "page")), ErrNotFound: second(s.SetMarkAside(ctx, 9, "", "page"))} {
		if !errors.Is(err, what) {
			t.Errorf("%v, want %v", err, what)
		}
	}
	if _, err := s.MarkOf(ctx, acquire.MarkPress{Job: 7}); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	if _, _, err := s.Marks(ctx, 9, Page{}); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	verifyOK(t, s)
}

// −0 typed for a mark is kept as SQLite keeps it, so that its commit still
// verifies.
func TestMinusZeroVerifies(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.record(b.turn(20, 5))
	b.record(acquire.Batch{Marks: []acquire.MarkPress{{Job: job.ID, MarkDeg: math.Copysign(0, -1), EncStream: b.enc, EncSeq: b.encSeq, Approach: 1, AtNS: b.tNS}}})
	if r := must[VerifyReport](t)(s.Verify(ctx)); !r.OK {
		t.Errorf("%q", r.Problems)
	}
}
