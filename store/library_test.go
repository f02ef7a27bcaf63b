package store

import (
	"compress/gzip"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"testing"

	"crownmark/fit/calibrate"
	"crownmark/fit/engine"

	"github.com/google/go-cmp/cmp"
)

func TestLibrary(t *testing.T) {
	ctx := context.Background()
	o := testOptions(t)
	s := open(t, o)
	kept, replayed, err := s.AddEngine(ctx, practiceEngine(), "test", "import-1")
	if err != nil || replayed || kept.ID != 1 || kept.Revision != 1 || kept.State != LibraryKept || kept.CreatedAt.IsZero() {
		t.Fatalf("%v %v %+v", err, replayed, kept)
	}
	if again, replayed, err := s.AddEngine(ctx, practiceEngine(), "test", "import-1"); err != nil || !replayed || again.ID != 1 {
		t.Errorf("the same file twice under one key: %v %v %d", err, replayed, again.ID)
	}
	other := practiceEngine()
	other.Name = "Other"
	if _, _, err := s.AddEngine(ctx, other, "test", "import-1"); !errors.Is(err, ErrKeyReused) {
		t.Errorf("another engine under the key: %v", err)
	}
	must3(t)(s.AddEngine(ctx, other, "test", ""))
	job, _, err := s.CreateJob(ctx, NewJob{Engine: kept.Engine, LibraryEngine: kept.ID})
	if err != nil {
		t.Fatal(err)
	}
	longer := practiceEngine()
	longer.StrokeMM = 92
	for range 2 { // the second changes nothing
		if e := must[LibraryEngine](t)(s.UpdateEngine(ctx, kept.ID, LibraryPatch{Engine: &longer})); e.Revision != 2 || e.Engine.StrokeMM != 92 || e.ChangedAt.Before(e.CreatedAt) {
			t.Errorf("%+v", e)
		}
	}
	if j := must[Job](t)(s.Job(ctx, job.ID)); j.Engine.StrokeMM != 88 || j.Revision != 1 {
		t.Errorf("a change of the library reached a job: %+v", j.Engine)
	}
	if e := must[LibraryEngine](t)(s.UpdateEngine(ctx, 2, LibraryPatch{State: new(LibraryRetired)})); e.State != LibraryRetired || e.Revision != 1 {
		t.Errorf("%+v", e)
	}
	for _, wrong := range []LibraryPatch{{State: new("lost")}, {Engine: &engine.Engine{StrokeMM: math.NaN()}}} {
		if _, err := s.UpdateEngine(ctx, 1, wrong); !errors.Is(err, ErrInvalid) {
			t.Errorf("%+v: %v", wrong, err)
		}
	}
	if _, err := s.UpdateEngine(ctx, 99, LibraryPatch{}); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown: %v", err)
	}
	s.Close()
	s = open(t, o)
	page, next, err := s.LibraryEngines(ctx, Page{Limit: 1})
	if err != nil || len(page) != 1 || next == nil || page[0].Engine.StrokeMM != 92 {
		t.Fatalf("%v %+v", err, page)
	}
	page, next, err = s.LibraryEngines(ctx, Page{Limit: 1, After: *next})
	if err != nil || len(page) != 1 || next != nil || page[0].Engine.Name != "Other" {
		t.Errorf("%v %+v", err, page)
	}
	verifyOK(t, s)
}

func must3(t *testing.T) func(LibraryEngine, bool, error) {
	return func(_ LibraryEngine, _ bool, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
}

// A store of the first version, kept as it was then, is brought up to date:
// its chain holds, its jobs have what they lacked, and work goes on.
func TestStoreOfTheFirstVersionGoesOn(t *testing.T) {
	ctx := context.Background()
	o := testOptions(t)
	unpack(t, "testdata/version-1.db.gz", o.Path)
	s := open(t, o)
	verifyOK(t, s)
	job := must[Job](t)(s.Job(ctx, 1))
	if job.Stage != "" || job.Cautions != nil || !cmp.Equal(job.Order, []int{1, 4, 2, 3}) {
		t.Errorf("%+v", job)
	}
	ask := NewJob{Engine: practiceEngine(), Actor: "test", IdempotencyKey: "key-0"} // as it was asked for then
	if again, replayed, err := s.CreateJob(ctx, ask); err != nil || !replayed || again.ID != 1 {
		t.Errorf("a key of then: %v %v %d", err, replayed, again.ID)
	}
	must[Job](t)(s.UpdateJob(ctx, 1, JobPatch{JobAttributes: JobAttributes{Stage: new(StageAfterGrinding)}}))
	must3(t)(s.AddEngine(ctx, practiceEngine(), "test", ""))
	dial := addInstrument(t, s, dialRecord("dial", "left"))
	certify(t, s, takeCalibration(t, s, NewCalibration{Instrument: dial.ID}), calibrate.Pass, nil)
	verifyOK(t, s)
}

func unpack(t *testing.T, from, to string) {
	t.Helper()
	f, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b, 0o600); err != nil {
		t.Fatal(err)
	}
}
