package store

import (
	"context"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestJobAttributes(t *testing.T) {
	ctx := context.Background()
	o := testOptions(t)
	s := open(t, o)
	plain := newJob(t, s)
	if plain.Stage != "" || plain.Tags != nil || plain.CautionsAt() != nil || plain.OrderGiven || !cmp.Equal(plain.Order, []int{1, 4, 2, 3}) {
		t.Errorf("a job that was told nothing: %+v", plain)
	}
	ask := NewJob{Engine: practiceEngine(), Actor: "bench", IdempotencyKey: "pedal", LibraryEngine: 7, Follows: 1,
		Attributes: JobAttributes{Stage: new(StageAssembled), CustomerReference: new("Order 118"), Notes: new("No. 3 was\nreground"), Tags: &[]string{"race", "steel"}}}
	job, _, err := s.CreateJob(ctx, ask)
	if err != nil || job.Stage != StageAssembled || job.CustomerReference != "Order 118" || job.Notes != "No. 3 was\nreground" ||
		!cmp.Equal(job.Tags, []string{"race", "steel"}) || job.LibraryEngine != 7 || job.Follows != 1 || !cmp.Equal(job.Order, []int{1, 3, 4, 2}) {
		t.Fatalf("%v %+v", err, job)
	}
	if again, replayed, err := s.CreateJob(ctx, ask); err != nil || !replayed || again.ID != job.ID {
		t.Errorf("the pedal bounced: %v %v %d", err, replayed, again.ID)
	}
	ask.Attributes.Stage = new(StageInCar)
	if _, _, err := s.CreateJob(ctx, ask); !errors.Is(err, ErrKeyReused) {
		t.Errorf("the same key for another stage: %v", err)
	}
	rows := countRows(t, s, "job_attribute")
	set := func(a JobAttributes) Job { return must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{JobAttributes: a})) }
	if j := set(JobAttributes{Order: &[]int{2, 1, 4, 3}}); !j.OrderGiven || !cmp.Equal(j.Order, []int{2, 1, 4, 3}) {
		t.Errorf("order %v", j.Order)
	}
	set(JobAttributes{Order: &[]int{2, 1, 4, 3}, Tags: &[]string{"race", "steel"}, Stage: new(StageAssembled)}) // as it is already
	if n := countRows(t, s, "job_attribute"); n != rows+1 {
		t.Errorf("%d rows for one change", n-rows)
	}
	if j := set(JobAttributes{Order: &[]int{}, Stage: new(StageBareBlock), Tags: &[]string{}}); j.OrderGiven || !cmp.Equal(j.Order, []int{1, 4, 2, 3}) || len(j.Tags) != 0 {
		t.Errorf("taken back: %+v", j)
	}
	for _, wrong := range []JobAttributes{{Order: &[]int{1, 2, 3}}, {Order: &[]int{1, 2, 3, 3}}, {Stage: new("painted")}} {
		if _, err := s.UpdateJob(ctx, job.ID, JobPatch{JobAttributes: wrong}); !errors.Is(err, ErrInvalid) {
			t.Errorf("%+v: %v", wrong, err)
		}
		if _, _, err := s.CreateJob(ctx, NewJob{Engine: practiceEngine(), Attributes: wrong}); !errors.Is(err, ErrInvalid) {
			t.Errorf("%+v: %v", wrong, err)
		}
	}
	s.Close()
	s = open(t, o) // over a restart
	if j := must[Job](t)(s.Job(ctx, job.ID)); j.CustomerReference != "Order 118" || j.Stage != StageBareBlock {
		t.Errorf("%+v", j)
	}
	verifyOK(t, s)
}

// An order that was given for another engine counts no more.
func TestOrderOfAnotherEngine(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{JobAttributes: JobAttributes{Order: &[]int{4, 3, 2, 1}}}))
	three := practiceEngine()
	three.FiringOrder = []int{1, 2, 3}
	if j := must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{Engine: &three})); j.OrderGiven || !cmp.Equal(j.Order, []int{1, 3, 2}) {
		t.Errorf("order %v, given %v", j.Order, j.OrderGiven)
	}
	four := practiceEngine()
	if j := must[Job](t)(s.UpdateJob(ctx, job.ID, JobPatch{Engine: &four, JobAttributes: JobAttributes{Order: &[]int{1, 2, 3, 4}}})); !cmp.Equal(j.Order, []int{1, 2, 3, 4}) {
		t.Errorf("order %v with the engine it belongs to", j.Order)
	}
}

func TestCautionsAreReadOnce(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s)
	first := must[Job](t)(s.AcknowledgeCautions(ctx, job.ID, "Ada"))
	if first.CautionsAt() == nil || first.Cautions.Actor != "Ada" || first.CautionsAt().Before(job.CreatedAt) {
		t.Fatalf("%+v", first.Cautions)
	}
	again := must[Job](t)(s.AcknowledgeCautions(ctx, job.ID, "Ben"))
	if diff := cmp.Diff(first.Cautions, again.Cautions); diff != "" || countRows(t, s, "job_attribute") != 1 {
		t.Errorf("read twice: %s", diff)
	}
	shut := newJob(t, s)
	must[Job](t)(s.UpdateJob(ctx, shut.ID, JobPatch{State: new(JobClosed)}))
	if _, err := s.AcknowledgeCautions(ctx, shut.ID, ""); !errors.Is(err, ErrJobClosed) {
		t.Errorf("closed: %v", err)
	}
	if _, err := s.UpdateJob(ctx, shut.ID, JobPatch{JobAttributes: JobAttributes{Notes: new("late")}}); !errors.Is(err, ErrJobClosed) {
		t.Errorf("a note on a closed job: %v", err)
	}
	if _, err := s.AcknowledgeCautions(ctx, 99, ""); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown: %v", err)
	}
}
