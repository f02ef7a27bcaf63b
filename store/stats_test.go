package store

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

// One clock mark a minute of recording, and one where the wall clock jumps.
func TestClockMarks(t *testing.T) {
	o := testOptions(t)
	synctest.Test(t, func(t *testing.T) {
		s := must[*Store](t)(Open(context.Background(), o))
		defer s.Close()
		b := startBench(t, s, newJob(t, s).ID)
		for range 600 { // five minutes
			time.Sleep(500 * time.Millisecond)
			b.record(b.turn(1, 1))
		}
		if n := countRows(t, s, "clock_mark"); n != 6 {
			t.Errorf("%d clock marks in five minutes", n)
		}
		// The wall clock is set an hour on; the monotonic one knows nothing of it.
		var c change
		c.s, c.tNS = s, s.Clock()()
		c.unixNS = s.start.UnixNano() + c.tNS + int64(time.Hour)
		if apart := c.unixNS - s.w.clockMark.unixNS - (c.tNS - s.w.clockMark.tNS); apart < clockJumpNS {
			t.Errorf("apart %d", apart)
		}
		verifyOK(t, s)
	})
}

func TestStats(t *testing.T) {
	o := testOptions(t)
	o.freeBytes = func(string) (int64, error) { return lowBytes - 1, nil }
	synctest.Test(t, func(t *testing.T) {
		s := must[*Store](t)(Open(context.Background(), o))
		defer s.Close()
		var told []Commit
		s.OnCommit(func(c Commit) { told = append(told, c) })
		b := startBench(t, s, newJob(t, s).ID)
		batch := b.turn(10, 1)
		batch.Readings[0].AtNS = s.Clock()()
		for i := range batch.Readings {
			batch.Readings[i].AtNS = s.Clock()() + int64(i)
		}
		time.Sleep(250 * time.Millisecond)
		b.record(batch)
		last := told[len(told)-1]
		if last.Readings != 20 || last.Rows != 22 || last.LagSeconds != 0.25 || last.Ledger != s.Stats().HeadLedger {
			t.Errorf("told %+v", last)
		}
		st := s.Stats()
		var n uint64
		for _, c := range st.CommitSeconds.Counts {
			n += c
		}
		if n != uint64(st.Commits) || st.Commits != int64(len(told))+1 || st.Readings != 20 || st.LagSeconds != 0.25 {
			t.Errorf("stats %+v", st)
		}
		if st.Storage != StorageLow || st.FileBytes == 0 || st.WALBytes == 0 {
			t.Errorf("stats %+v", st)
		}
	})
}

func TestHistogram(t *testing.T) {
	h := Histogram{Bounds: []float64{1, 2}, Counts: make([]uint64, 3)}
	for _, v := range []float64{0.5, 1, 1.5, 2, 9} {
		h.observe(v)
	}
	if fmt.Sprint(h) != "{[1 2] [2 2 1] 14}" {
		t.Error(h)
	}
}
