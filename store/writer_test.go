package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"crownmark/acquire"
)

func countRows(t testing.TB, s *Store, table string) (n int64) {
	t.Helper()
	if err := s.readers.QueryRow("SELECT count(*) FROM " + table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// A failed attempt leaves nothing; the next does it all again.
func TestRedo(t *testing.T) {
	o := testOptions(t)
	var fail atomic.Int32
	var tried []int
	o.beforeCommit = func(attempt int) error {
		tried = append(tried, attempt)
		if int32(attempt) <= fail.Load() {
			return errors.New("the disk hiccuped")
		}
		return nil
	}
	s := open(t, o)
	b := startBench(t, s, newJob(t, s).ID)
	fail.Store(2)
	tried = nil
	b.record(b.turn(10, 1))
	if fmt.Sprint(tried) != "[1 2 3]" || countRows(t, s, "reading") != 20 {
		t.Errorf("attempts %v, %d readings", tried, countRows(t, s, "reading"))
	}
	fail.Store(3)
	batch := b.turn(10, 1)
	_, err := s.Record(context.Background(), batch)
	if err == nil || errors.Is(err, acquire.ErrRefused) {
		t.Fatalf("got %v", err)
	}
	if st := s.Stats(); st.Storage != StorageFailing || !strings.Contains(st.LastError, "hiccuped") || st.Failures != 1 {
		t.Errorf("stats %+v", st)
	}
	if err := s.Writable(context.Background()); err == nil {
		t.Error("writable while nothing can be written")
	}
	fail.Store(0)
	if err := s.Writable(context.Background()); err != nil {
		t.Error(err)
	}
	b.record(batch) // the same again
	if st := s.Stats(); st.Storage != StorageOK || st.LastError != "" {
		t.Errorf("stats %+v", st)
	}
	verifyOK(t, s)
}

// COMMIT reports an error, and yet the commit is on the disk: it counts once.
func TestCommitReachedTheDisk(t *testing.T) {
	o := testOptions(t)
	var lie atomic.Bool
	o.afterCommit = func(_ int, err error) error {
		if lie.CompareAndSwap(true, false) {
			return errors.New("the answer was lost")
		}
		return err
	}
	s := open(t, o)
	b := startBench(t, s, newJob(t, s).ID)
	lie.Store(true)
	ledger := b.record(b.turn(10, 1))
	report := verifyOK(t, s)
	if report.Ledgers != ledger || countRows(t, s, "reading") != 20 {
		t.Errorf("ledger %d of %d, %d readings", ledger, report.Ledgers, countRows(t, s, "reading"))
	}
}

func TestRefusedBatches(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	b.record(b.turn(5, 1))
	id := b.sweep(5, 1)
	b.encSeq += 10 // the bench may leave some out, and must not come back to them
	b.record(b.turn(1, 1))
	closed := JobClosed
	shut := newJob(t, s)
	must[Job](t)(s.UpdateJob(context.Background(), shut.ID, JobPatch{State: &closed}))
	before := verifyOK(t, s)
	for name, c := range map[string]struct {
		batch acquire.Batch
		want  error
	}{
		"a stream nobody opened":  {acquire.Batch{Readings: []acquire.Reading{{Stream: 77, Seq: 1}}}, ErrInvalid},
		"a seq that is there":     {acquire.Batch{Readings: []acquire.Reading{{Stream: b.enc, Seq: 3}}}, ErrInvalid},
		"a seq passed over":       {acquire.Batch{Readings: []acquire.Reading{{Stream: b.enc, Seq: b.encSeq - 1}}}, ErrInvalid},
		"a seq twice":             {acquire.Batch{Readings: []acquire.Reading{{Stream: b.enc, Seq: 5000}, {Stream: b.enc, Seq: 5000}}}, ErrInvalid},
		"a stream id in use":      {acquire.Batch{Streams: []acquire.StreamOpened{{ID: b.enc, Kind: acquire.KindEncoder}}}, ErrInvalid},
		"a second end":            {acquire.Batch{Ends: []acquire.SweepEnd{{Sweep: id}}}, ErrInvalid},
		"an end of no sweep":      {acquire.Batch{Ends: []acquire.SweepEnd{{Sweep: 99}}}, ErrInvalid},
		"a sweep of no job":       {acquire.Batch{Begins: []acquire.SweepBegin{{ID: 50, Job: 99, IndStream: b.ind, EncStream: b.enc}}}, ErrInvalid},
		"a selection of no job":   {acquire.Batch{Selections: []acquire.Selection{{Job: 99}}}, ErrNotFound},
		"a selection of a closed": {acquire.Batch{Selections: []acquire.Selection{{Job: shut.ID}}}, ErrJobClosed},
		"a mark of a closed":      {acquire.Batch{Marks: []acquire.MarkPress{{Job: shut.ID, EncStream: b.enc}}}, ErrJobClosed},
		"a direction of nothing":  {acquire.Batch{Directions: []acquire.DirectionConfirmed{{Job: job.ID, EncStream: b.enc}}}, ErrInvalid},
		"a mark that is NaN":      {acquire.Batch{Marks: []acquire.MarkPress{{Job: job.ID, EncStream: b.enc, MarkDeg: nan()}}}, ErrInvalid},
	} {
		c.batch.Gaps = append(c.batch.Gaps, acquire.Gap{Stream: b.enc, Reason: "garbage"}) // must go with it
		_, err := s.Record(context.Background(), c.batch)
		if !errors.Is(err, c.want) || !errors.Is(err, acquire.ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if after := verifyOK(t, s); after.HeadHash != before.HeadHash {
		t.Error("something of a refused batch was kept")
	}
	if st := s.Stats(); st.Failures != 0 || st.Storage != StorageOK {
		t.Errorf("a refusal is not the disk's failure: %+v", st)
	}
	b.record(b.turn(5, 1)) // and life goes on
}

func nan() float64 { zero := 0.0; return zero / zero }

// An order of readings that a bench with two ports may well produce.
func TestReadingsOutOfOrder(t *testing.T) {
	s := open(t, testOptions(t))
	b := startBench(t, s, newJob(t, s).ID)
	batch := b.turn(100, 1)
	for i, j := 0, len(batch.Readings)-1; i < j; i, j = i+1, j-1 {
		batch.Readings[i], batch.Readings[j] = batch.Readings[j], batch.Readings[i]
	}
	first := batch.Readings[0]
	batch.Readings[7].Raw = nil
	for n := range int64(3) {
		batch.Gaps = append(batch.Gaps, acquire.Gap{Stream: b.enc, N: n})
		batch.Data = append(batch.Data, acquire.Datum{ID: b.res.LastDatum + 3 - n, Stream: b.ind, FromSeq: n, Kind: acquire.DatumZeroing, Number: int(n)})
	}
	b.record(batch)
	if got := batch.Readings[0]; got.Seq != first.Seq {
		t.Error("the caller's batch was rearranged")
	}
	verifyOK(t, s)
}

func TestCloseEmptiesTheWAL(t *testing.T) {
	o := testOptions(t)
	s := open(t, o)
	newJob(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if sizeOf(o.Path+"-wal") != 0 || sizeOf(o.Path) == 0 {
		t.Error("the WAL was not emptied into the file")
	}
}

func TestContexts(t *testing.T) {
	o := testOptions(t)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var interrupt atomic.Bool
	o.beforeCommit = func(int) error {
		if interrupt.Load() {
			cancel()
		}
		return nil
	}
	s := open(t, o)
	b := startBench(t, s, newJob(t, s).ID)

	gone, stop := context.WithCancel(context.Background())
	stop()
	for range 20 { // with both ready, either may be chosen; never a half
		batch := b.turn(1, 1)
		if _, err := s.Record(gone, batch); errors.Is(err, context.Canceled) {
			b.record(batch)
		} else if err != nil {
			t.Fatal(err)
		}
	}
	interrupt.Store(true)
	batch := b.turn(100, 1)
	ledger, err := s.Record(ctx, batch)
	if err != nil || ctx.Err() == nil {
		t.Fatalf("interrupted in the middle: ledger %d, %v; the commit was made and must be acknowledged", ledger, err)
	}
	if n := countRows(t, s, "reading"); n != 240 {
		t.Errorf("%d readings", n)
	}
	if _, _, err := s.Jobs(ctx, Page{}); !errors.Is(err, context.Canceled) {
		t.Errorf("a reader with a cancelled context: %v", err)
	}
	verifyOK(t, s)
}

func TestCloseWhileBusy(t *testing.T) {
	o := testOptions(t)
	s := open(t, o)
	b := startBench(t, s, newJob(t, s).ID)
	first := b.turn(50, 1)
	var kept atomic.Int64
	var wg sync.WaitGroup
	started := make(chan struct{}, 8)
	for range 8 {
		wg.Go(func() {
			for {
				_, _, err := s.CreateJob(context.Background(), NewJob{Engine: practiceEngine()})
				select {
				case started <- struct{}{}:
				default:
				}
				if err != nil {
					return // ErrClosed, or reading back from a closed pool
				}
				kept.Add(1)
			}
		})
	}
	<-started
	b.record(first)
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	wg.Wait()
	if err := s.Close(); err != nil {
		t.Error("second close:", err)
	}
	for name, err := range map[string]error{"record": second(s.Record(context.Background(), first)), "writable": s.Writable(context.Background())} {
		if !errors.Is(err, ErrClosed) {
			t.Errorf("%s after close: %v", name, err)
		}
	}
	o.ReadOnly = true
	r := open(t, o)
	verifyOK(t, r)
	if n := countRows(t, r, "job"); n < kept.Load() {
		t.Errorf("%d jobs acknowledged, %d there", kept.Load(), n)
	}
}

// Writers, readers, verification and backups at once, for the race detector.
func TestAllAtOnce(t *testing.T) {
	o := testOptions(t)
	s := open(t, o)
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	id := b.sweep(50, 5)
	var commits atomic.Int64
	s.OnCommit(func(Commit) { commits.Add(1) })
	ctx := context.Background()
	var wg sync.WaitGroup
	done := make(chan struct{})
	for n, f := range []func(int) error{
		func(int) error { _, _, err := s.Input(ctx, job.ID); return err },
		func(int) error { _, err := s.Verify(ctx); return err },
		func(i int) error { return s.Backup(ctx, fmt.Sprintf("%s.copy%d", o.Path, i)) },
		func(i int) error {
			_, err := s.SetAside(ctx, id, "again", "test")
			return errors.Join(err, second(s.Restore(ctx, id, "test")))
		},
		func(int) error { s.Stats(); return s.Samples(ctx, id, func(Sample) error { return nil }) },
	} {
		wg.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-done:
					return
				default:
				}
				if err := f(i); err != nil {
					t.Error(n, err)
					return
				}
			}
		})
	}
	for range 60 {
		b.record(b.turn(20, 1))
	}
	close(done)
	wg.Wait()
	verifyOK(t, s)
	if n := commits.Load(); n < 60 {
		t.Errorf("%d commits told", n)
	}
}

// A reader that gives up leaves nothing open that would pin the WAL.
func TestReadersLetGo(t *testing.T) {
	s := open(t, testOptions(t))
	job := newJob(t, s)
	b := startBench(t, s, job.ID)
	id := b.sweep(5000, 1) // several chunks
	enough := errors.New("enough")
	for range 4 {
		n := 0
		err := s.Samples(context.Background(), id, func(Sample) error {
			if n++; n == 4500 {
				return enough
			}
			return nil
		})
		if !errors.Is(err, enough) {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	err := s.Samples(ctx, id, func(Sample) error { cancel(); return nil })
	if !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	var busy, log, moved int
	if err := s.writer.QueryRow("PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &log, &moved); err != nil || busy != 0 || s.Stats().WALBytes != 0 {
		t.Errorf("checkpoint: busy %d, %v, %d bytes left", busy, err, s.Stats().WALBytes)
	}
	if open := s.readers.Stats().InUse; open != 0 {
		t.Errorf("%d readers still in use", open)
	}
}
