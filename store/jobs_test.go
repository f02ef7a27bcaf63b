package store

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"crownmark/acquire"
	"crownmark/fit/engine"
)

func TestIdempotencyKey(t *testing.T) {
	o := testOptions(t)
	ctx := context.Background()
	s := open(t, o)
	ask := NewJob{Name: "Bench four", Engine: practiceEngine(), Actor: "test", IdempotencyKey: "pedal-1"}
	job, replayed, err := s.CreateJob(ctx, ask)
	if err != nil || replayed {
		t.Fatal(replayed, err)
	}
	s.Close()
	s = open(t, o) // over a restart
	again, replayed, err := s.CreateJob(ctx, ask)
	if err != nil || !replayed || again.ID != job.ID {
		t.Errorf("job %d, then %d, replayed %v, %v", job.ID, again.ID, replayed, err)
	}
	other := ask
	other.Name = "Another"
	if _, _, err := s.CreateJob(ctx, other); !errors.Is(err, ErrKeyReused) {
		t.Errorf("key with another request: %v", err)
	}
	ask.IdempotencyKey = "pedal-2"
	var wg sync.WaitGroup
	ids := make([]int64, 8)
	for i := range ids {
		wg.Go(func() {
			job, _, err := s.CreateJob(ctx, ask)
			if err != nil {
				t.Error(err)
			}
			ids[i] = job.ID
		})
	}
	wg.Wait()
	for _, id := range ids {
		if id != ids[0] {
			t.Errorf("a bouncing pedal made jobs %v", ids)
		}
	}
	ask.IdempotencyKey = ""
	free, _, err := s.CreateJob(ctx, ask)
	if err != nil || free.ID == ids[0] {
		t.Errorf("without a key: job %d, %v", free.ID, err)
	}
	verifyOK(t, s)
}

func TestJobEvents(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	if job.Name != "Practice four" || job.State != JobOpen || job.Revision != 1 || job.DirectionSign != 0 || job.Selected != nil || job.CreatedAt.IsZero() {
		t.Errorf("new job %+v", job)
	}
	if diff := cmp.Diff(practiceEngine(), job.Engine); diff != "" {
		t.Error(diff)
	}
	text := func(s string) *string { return &s }
	longer, shorter := practiceEngine(), practiceEngine()
	longer.StrokeMM, shorter.StrokeMM = 92, 70
	for _, step := range []struct {
		patch JobPatch
		check func(Job) bool
		want  error
	}{
		{JobPatch{Name: text("Left one")}, func(j Job) bool { return j.Name == "Left one" && j.Revision == 1 }, nil},
		{JobPatch{Engine: &longer}, func(j Job) bool { return j.Engine.StrokeMM == 92 && j.Revision == 2 }, nil},
		{JobPatch{Engine: &longer}, func(j Job) bool { return j.Revision == 2 }, nil}, // the same adds nothing
		{JobPatch{Engine: &shorter}, func(j Job) bool { return j.Engine.StrokeMM == 70 && j.Revision == 3 }, nil},
		{JobPatch{State: text(JobClosed)}, func(j Job) bool { return j.State == JobClosed }, nil},
		{JobPatch{State: text(JobClosed)}, func(j Job) bool { return j.State == JobClosed }, nil},
		{JobPatch{Name: text("No")}, nil, ErrJobClosed},
		{JobPatch{State: text("half open")}, nil, ErrInvalid},
		{JobPatch{Engine: &engine.Engine{StrokeMM: math.NaN()}}, nil, ErrInvalid},
		{JobPatch{State: text(JobOpen), Name: text("Again")}, func(j Job) bool { return j.State == JobOpen && j.Name == "Again" }, nil},
	} {
		got, err := s.UpdateJob(ctx, job.ID, step.patch)
		if !errors.Is(err, step.want) || step.check != nil && !step.check(got) {
			t.Errorf("%+v: %v, %+v", step.patch, err, got)
		}
	}
	if n := countRows(t, s, "job_event"); n != 7 {
		t.Errorf("%d events", n)
	}
	for name, err := range map[string]error{
		"update":  second(s.UpdateJob(ctx, 99, JobPatch{Name: text("x")})),
		"job":     second(s.Job(ctx, 99)),
		"sweep":   second(s.Sweep(ctx, 99)),
		"aside":   second(s.SetAside(ctx, 99, "", "")),
		"report":  second(s.Report(ctx, 99)),
		"issue":   second(s.IssueReport(ctx, 99, "", wrote(nil))),
		"samples": s.Samples(ctx, 99, nil),
		"export":  s.Export(ctx, 99, nil),
	} {
		if !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestJobPages(t *testing.T) {
	s := open(t, testOptions(t))
	for range 5 {
		newJob(t, s)
	}
	var seen []string
	for page := (Page{Limit: 2}); ; {
		jobs, next, err := s.Jobs(context.Background(), page)
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, j := range jobs {
			ids = append(ids, fmt.Sprint(j.ID))
		}
		seen = append(seen, strings.Join(ids, ","))
		if next == nil {
			break
		}
		page.After = *next
	}
	if got := strings.Join(seen, " "); got != "1,2 3,4 5" {
		t.Error(got)
	}
	all, err := All(func(p Page) ([]Job, *int64, error) { p.Limit = 2; return s.Jobs(context.Background(), p) })
	if err != nil || len(all) != 5 || all[4].ID != 5 {
		t.Errorf("all: %d jobs, %v", len(all), err)
	}
	if (Page{}).limit() != 100 || (Page{Limit: 9999}).limit() != 500 || (Page{Limit: 500}).limit() != 500 {
		t.Error("limits")
	}
}

func TestReports(t *testing.T) {
	s := open(t, testOptions(t))
	ctx := context.Background()
	one, two := newJob(t, s), newJob(t, s)
	closed := JobClosed
	must[Job](t)(s.UpdateJob(ctx, one.ID, JobPatch{State: &closed}))
	for _, job := range []int64{one.ID, two.ID, one.ID} {
		must[Report](t)(s.IssueReport(ctx, job, "test", func(number int64, at time.Time) ([]byte, error) {
			if at.IsZero() {
				t.Error("no moment")
			}
			return fmt.Appendf(nil, "text %d", number), nil
		}))
	}
	refused := errors.New("no such figure")
	if _, err := s.IssueReport(ctx, one.ID, "", func(int64, time.Time) ([]byte, error) { return nil, refused }); !errors.Is(err, refused) {
		t.Error(err)
	}
	list, next, err := s.Reports(ctx, one.ID, Page{Limit: 1})
	if err != nil || len(list) != 1 || list[0].Number != 1 || next == nil || list[0].Document != nil {
		t.Fatalf("%+v, next %v, %v", list, next, err)
	}
	list, next, err = s.Reports(ctx, one.ID, Page{After: *next})
	if err != nil || len(list) != 1 || list[0].Number != 3 || next != nil {
		t.Fatalf("%+v, next %v, %v", list, next, err)
	}
	got := must[Report](t)(s.Report(ctx, 3))
	if string(got.Document) != "text 3" || got.Job != one.ID || got.Actor != "test" || got.IssuedAt.IsZero() ||
		got.Hash != "65ca03e4108b9338827ea3b3f28f6a515d869b40363384e5e2f675f80bc48be6" { // printf 'text 3' | sha256sum
		t.Errorf("%+v", got)
	}
	if _, _, err := s.Reports(ctx, 99, Page{}); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	verifyOK(t, s)
}

// What was selected, and the numbers to go on from, outlast the program.
func TestResume(t *testing.T) {
	o := testOptions(t)
	ctx := context.Background()
	s := open(t, o)
	empty := must[acquire.Resume](t)(s.Resume(ctx))
	if diff := cmp.Diff(acquire.Resume{LastCount: map[string]int64{}, HandMounts: map[int64]int{}}, empty); diff != "" {
		t.Error(diff)
	}
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	sel := acquire.Selection{Job: job.ID, Cylinders: map[string]int{"left": 3, "right": 4}, AtNS: 5, Actor: "test"}
	b.record(acquire.Batch{Selections: []acquire.Selection{sel}})
	b.sweep(50, 5)
	s.Close()

	s = open(t, o)
	got := must[acquire.Resume](t)(s.Resume(ctx))
	want := acquire.Resume{LastStream: 2, LastSweep: 1, LastDatum: 3, LastMount: 1, LastSetup: 1, LastZeroing: 1,
		LastCount: map[string]int64{"encoder": 250}, HandMounts: map[int64]int{}, Selection: &sel}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if j := must[Job](t)(s.Job(ctx, job.ID)); j.Selected["right"] != 4 {
		t.Errorf("selected %v", j.Selected)
	}
	other := newJob(t, s)
	if other.Selected != nil {
		t.Error("another job is not selected")
	}
	closed := JobClosed
	must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{State: &closed}))
	if r := must[acquire.Resume](t)(s.Resume(ctx)); r.Selection != nil {
		t.Errorf("a closed job is resumed: %+v", r.Selection)
	}
	b = startBench(t, s, other.ID)
	b.record(acquire.Batch{Selections: []acquire.Selection{{Job: other.ID, Cylinders: map[string]int{"left": 1}}, {}}})
	if r := must[acquire.Resume](t)(s.Resume(ctx)); r.Selection != nil {
		t.Errorf("nothing was selected last: %+v", r.Selection)
	}
}
