package store

import (
	"context"
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
		// The wall clock is set; the monotonic one knows nothing of it.
		for _, set := range []struct {
			by    time.Duration
			marks int64
		}{{time.Hour, 7}, {time.Hour + clockJumpNS/2, 7}, {0, 8}, {-clockJumpNS, 9}} {
			_, err := s.submit(context.Background(), func(c *change) error {
				c.unixNS += int64(set.by)
				return s.addClockMarkIfDue(c)
			}, nil)
			if err != nil {
				t.Fatal(err)
			}
			if n := countRows(t, s, "clock_mark"); n != set.marks {
				t.Errorf("%d clock marks with the wall clock set by %v, want %d", n, set.by, set.marks)
			}
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
		if st.Commits != int64(len(told))+1 || st.Readings != 20 {
			t.Errorf("stats %+v", st)
		}
		if st.Storage != StorageLow || st.FileBytes == 0 || st.WALBytes == 0 {
			t.Errorf("stats %+v", st)
		}
	})
}
