package store

import (
	"context"
	"encoding/json"
	"errors"
	"testing"

	"crownmark/acquire"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// What comes after a commit does not disturb how a job stood then: not the rest
// of a sweep that was still running, nor what was set aside, assigned, pressed,
// turned round or renamed.
func TestStanding(t *testing.T) {
	ctx := context.Background()
	o := testOptions(t)
	s := open(t, o)
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	first := b.sweep(60, 5)
	b.confirmDirection(1)
	b.record(acquire.Batch{Marks: []acquire.MarkPress{{Job: job.ID, MarkDeg: 0, EncStream: b.enc, EncSeq: b.encSeq, Approach: 1, AtNS: b.tNS}}})
	var begin acquire.Batch
	b.begin(&begin)
	half := b.turn(40, 5)
	half.Begins = begin.Begins
	at := b.record(half)

	then := must[Standing](t)(s.Standing(ctx, job.ID, 0))
	in, revision, err := s.Input(ctx, job.ID)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(in, then.Input, cmpopts.EquateNaNs()); diff != "" || revision != then.Revision || then.Ledger != at {
		t.Fatalf("now: %s, revision %s and %s, ledger %d of %d", diff, revision, then.Revision, then.Ledger, at)
	}
	if len(then.Sweeps) != 2 || then.Sweeps[1].Readings != 40 || len(then.Streams) != 2 || then.Streams[0].Identity != "usb-1" || then.LedgerHash != s.Stats().HeadHash {
		t.Fatalf("%+v", then)
	}

	rest := b.turn(60, 5)
	b.end(&rest, 1, "reversal")
	b.record(rest)
	b.sweep(60, -5)
	b.record(acquire.Batch{Marks: []acquire.MarkPress{{Job: job.ID, MarkDeg: 5, EncStream: b.enc, EncSeq: b.encSeq, Approach: 1, AtNS: b.tNS}}})
	b.confirmDirection(-1)
	must[Sweep](t)(s.SetAside(ctx, first, "slipped", "test"))
	must[Sweep](t)(s.Assign(ctx, first+1, 3, "test"))
	name, e := "another", practiceEngine()
	e.StrokeMM = 90
	must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{Name: &name, Engine: &e}))
	s.Close()

	o.ReadOnly = true
	s = open(t, o)
	again := must[Standing](t)(s.Standing(ctx, job.ID, at))
	// Who only looks on cannot know that the sweep was running.
	if diff := cmp.Diff(then, again, cmpopts.EquateNaNs(), cmp.Transformer("state", func(w Sweep) string {
		if w.State == SweepRunning {
			w.State = SweepUnfinished
		}
		return string(must[[]byte](t)(json.Marshal(w)))
	})); diff != "" {
		t.Error(diff)
	}
	if _, err := s.Standing(ctx, job.ID, 9999); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	if _, err := s.Standing(ctx, job.ID, 1); !errors.Is(err, ErrNotFound) { // before the job was made
		t.Error(err)
	}
	for range 6 { // no view is left behind on any connection
		if got := must[Standing](t)(s.Standing(ctx, job.ID, 0)); len(got.Sweeps) != 3 || got.Job.Name != name {
			t.Fatalf("%d sweeps of %q", len(got.Sweeps), got.Job.Name)
		}
		if n := countRows(t, s, "sweep"); n != 3 {
			t.Fatalf("%d sweeps", n)
		}
	}
}
