package store

import (
	"context"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"crownmark/acquire"
)

// The revision changes with everything that changes the input, and only then.
func TestRevision(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job, other := newJob(t, s), newJob(t, s)
	b := startBench(t, s, job.ID)
	id := b.sweep(30, 5)
	before, last := input(t, s, job.ID)
	check := func(what string, changes bool) {
		t.Helper()
		in, now := input(t, s, job.ID)
		if quick := must[string](t)(s.Revision(ctx, job.ID)); quick != now {
			t.Errorf("%s: Revision says %s, Input %s", what, quick, now)
		}
		if (now != last) != changes {
			t.Errorf("%s: revision %s, then %s", what, last, now)
		}
		if diff := cmp.Diff(before, in); now == last && diff != "" {
			t.Errorf("%s: the same revision, another input: %s", what, diff)
		}
		before, last = in, now
	}
	check("nothing", false)
	must[Sweep](t)(s.SetAside(ctx, id, "x", "test"))
	check("set aside", true)
	must[Sweep](t)(s.Restore(ctx, id, "test"))
	check("restored", true)
	must[Sweep](t)(s.Assign(ctx, id, 2, "test"))
	check("assigned", true)
	b.confirmDirection(1)
	check("direction", true)
	b.record(acquire.Batch{Marks: []acquire.MarkPress{{Job: job.ID, EncStream: b.enc, EncSeq: b.encSeq}}})
	check("mark", true)
	must[Mark](t)(s.SetMarkAside(ctx, 1, "x", "test"))
	check("mark set aside", true)
	must[Mark](t)(s.SetMarkAside(ctx, 1, "x", "test"))
	check("set aside again", false)
	must[Mark](t)(s.RestoreMark(ctx, 1, "test"))
	check("mark taken back in", true)
	e := practiceEngine()
	e.StrokeMM++
	must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{Engine: &e}))
	check("engine", true)
	b.record(b.turn(50, 0))
	check("readings long after the sweep", false)
	must[Job](t)(s.UpdateJob(ctx, other.ID, JobPatch{Engine: &e}))
	newJob(t, s)
	must[Report](t)(s.IssueReport(ctx, job.ID, "test", wrote([]byte("x"))))
	check("other jobs, reports", false)
	batch := b.turn(10, 5)
	b.job = other.ID
	b.begin(&batch)
	b.record(batch)
	check("another job's sweep", false)
	b.end(&batch, 1, "reversal")
	b.record(acquire.Batch{Ends: batch.Ends})
	b.job = job.ID
	batch = acquire.Batch{}
	b.begin(&batch)
	b.record(batch)
	check("a sweep's begin", true)
	b.record(b.turn(10, 5))
	check("a running sweep's readings", true)
	batch = acquire.Batch{}
	b.end(&batch, 1, "reversal")
	b.record(batch)
	check("a sweep's end", true)
	b.record(b.turn(60, 5))
	check("readings just after it", true)
	b.record(b.turn(60, 5))
	check("the last of those", true)
	b.record(b.turn(60, 5))
	check("readings long after it", false)
	if strings.ContainsAny(last, "\" ,") || !strings.HasSuffix(last, "-crownmark_test") {
		t.Errorf("not fit for a tag: %q", last)
	}
}
