package store

import (
	"context"
	"errors"
	"strings"
	"testing"

	"crownmark/acquire"
)

func TestDiskFull(t *testing.T) {
	o := testOptions(t)
	o.pragmas = []string{"max_page_count(120)"}
	s := open(t, o)
	b := startBench(t, s, newJob(t, s).ID)
	kept := int64(0)
	var batch acquire.Batch
	var err error
	for range 1000 {
		batch = b.turn(100, 1)
		if _, err = s.Record(context.Background(), batch); err != nil {
			break
		}
		kept += 200
	}
	if !errors.Is(err, ErrStorageFull) || errors.Is(err, acquire.ErrRefused) || kept == 0 {
		t.Fatalf("after %d readings: %v", kept, err)
	}
	for err = nil; err == nil; { // the last corners
		_, _, err = s.CreateJob(context.Background(), NewJob{Engine: practiceEngine(), Name: strings.Repeat("x", 3000)})
	}
	if st := s.Stats(); st.Storage != StorageFull || !errors.Is(err, ErrStorageFull) {
		t.Errorf("%v, stats %+v", err, st)
	}
	for err = nil; err == nil; {
		_, err = s.submit(context.Background(), s.addClockMark, nil)
	}
	if err := s.Writable(context.Background()); !errors.Is(err, ErrStorageFull) {
		t.Errorf("writable: %v", err)
	}
	if n := countRows(t, s, "reading"); n != kept { // reading goes on
		t.Errorf("%d readings acknowledged, %d there", kept, n)
	}
	verifyOK(t, s)
	exec1(t, s.writer, "PRAGMA max_page_count = 100000") // somebody tidied up
	if err := s.Writable(context.Background()); err != nil {
		t.Error("after making room:", err)
	}
	b.record(batch)
	if st := s.Stats(); st.Storage != StorageOK || st.LastError != "" {
		t.Errorf("stats %+v", st)
	}
	verifyOK(t, s)
}
