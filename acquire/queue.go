package acquire

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// entry is a batch on its way to the Recorder with those who wait for it.
type entry struct {
	batch    Batch
	news     []SweepNews  // to be told once it is stored
	stand    []StandNews  // likewise
	asked    []chan error // who asked for its selections, marks and directions
	waiting  []chan error // who waits for anything else in it
	selected *Selection   // the last of its selections
	upto     []streamSeq  // last reading of each stream in it
}

type streamSeq struct{ stream, seq int64 }

// commit is what the writer tells the bench's goroutine.
type commit struct {
	upto     []streamSeq
	news     []SweepNews
	stand    []StandNews // stored with it, or given up
	selected *Selection  // stored with it
	refused  error       // why selections, marks or directions were not kept
	trouble  error       // the batch is not kept yet, and why
	dropped  int         // readings given up
}

// queue hands batches to the Recorder in order. It holds so many readings and
// no more; what does not fit is told to whoever puts it in.
type queue struct {
	mu      sync.Mutex
	entries []*entry
	held    int // readings, the ones being written included
	closed  bool
	wake    chan struct{}
	told    chan commit
	ledger  atomic.Int64
}

const (
	// maxHeld readings wait at most: 12 s at 5,000 a second, 6 MB.
	maxHeld = 60_000
	// mergeReadings: waiting batches are joined up to this size.
	mergeReadings = 4096
	// lastWait is how long a failing Recorder is tried after the end.
	lastWait = 5 * time.Second
	// mostRetry is the longest pause before a failing Recorder is tried again.
	mostRetry = 5 * time.Second
)

func newQueue() *queue {
	return &queue{wake: make(chan struct{}, 1), told: make(chan commit)}
}

func (q *queue) readings() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.held
}

// full tells whether n more readings would not fit.
func (q *queue) full(n int) bool { return n > 0 && q.readings()+n > maxHeld }

func (q *queue) put(e *entry) {
	q.mu.Lock()
	q.held += len(e.batch.Readings)
	if n := len(q.entries); n > 1 && len(q.entries[n-1].batch.Readings)+len(e.batch.Readings) <= mergeReadings {
		q.entries[n-1].join(e)
	} else {
		q.entries = append(q.entries, e)
	}
	q.mu.Unlock()
	q.poke()
}

func (q *queue) close() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	q.poke()
}

func (q *queue) poke() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

func (e *entry) join(f *entry) {
	a, b := &e.batch, &f.batch
	a.Streams = append(a.Streams, b.Streams...)
	a.Readings = append(a.Readings, b.Readings...)
	a.Gaps = append(a.Gaps, b.Gaps...)
	a.Data = append(a.Data, b.Data...)
	a.Begins = append(a.Begins, b.Begins...)
	a.Ends = append(a.Ends, b.Ends...)
	a.Selections = append(a.Selections, b.Selections...)
	a.Marks = append(a.Marks, b.Marks...)
	a.Directions = append(a.Directions, b.Directions...)
	a.Points = append(a.Points, b.Points...)
	a.Calibrated = append(a.Calibrated, b.Calibrated...)
	e.news = append(e.news, f.news...)
	e.stand = append(e.stand, f.stand...)
	e.asked = append(e.asked, f.asked...)
	e.waiting = append(e.waiting, f.waiting...)
	e.upto = append(e.upto, f.upto...)
	if f.selected != nil {
		e.selected = f.selected
	}
}

// next waits for an entry; it stays at the queue's head until done.
func (q *queue) next() (e *entry, ok bool) {
	for {
		q.mu.Lock()
		if len(q.entries) > 0 {
			e = q.entries[0]
			q.mu.Unlock()
			return e, true
		}
		closed := q.closed
		q.mu.Unlock()
		if closed {
			return nil, false
		}
		<-q.wake
	}
}

func (q *queue) done(e *entry, readings int) {
	q.mu.Lock()
	q.entries = q.entries[1:]
	q.held -= readings
	q.mu.Unlock()
}

// write hands entries to the Recorder until the queue is closed and empty. A
// failing Recorder is tried again, after ctx is done for lastWait more; the
// error then says how much was given up. The Recorder's own context is never
// cancelled: a commit whose outcome nobody heard would be made twice.
func (q *queue) write(ctx context.Context, rec Recorder) error {
	defer close(q.told)
	var lost int
	var why error
	end := ending{over: ctx.Done()}
	for {
		e, ok := q.next()
		if !ok {
			break
		}
		n := len(e.batch.Readings)
		if err := q.keep(ctx, rec, e, &end); err != nil {
			lost, why = lost+n, err
			q.told <- commit{trouble: err, dropped: n, stand: e.stand}
			e.answer(err)
		}
		q.done(e, n)
	}
	if why != nil {
		return fmt.Errorf("%d readings and what belongs to them could not be stored: %w", lost, why)
	}
	return nil
}

// ending is how long a failing Recorder is still tried.
type ending struct {
	over   <-chan struct{}  // the end; nil once it has come
	last   <-chan time.Time // the last moment
	passed bool
}

// keep tries until the entry is stored; the error is why it was given up.
func (q *queue) keep(ctx context.Context, rec Recorder, e *entry, end *ending) error {
	backoff := leastBackoff
	slices.SortStableFunc(e.batch.Readings, func(a, b Reading) int { return cmp.Compare(a.Stream, b.Stream) }) // joined ones are mixed
	for {
		ledger, err := rec.Record(context.WithoutCancel(ctx), e.batch)
		if err == nil {
			q.ledger.Store(ledger)
			q.told <- commit{upto: e.upto, news: e.news, stand: e.stand, selected: e.selected}
			e.answer(nil)
			return nil
		}
		if q.lessen(e, err) {
			if e.batch.Empty() {
				e.answer(err)
				return nil
			}
			continue
		}
		if errors.Is(err, ErrRefused) || end.passed {
			return err
		}
		q.told <- commit{trouble: err}
		retry := time.NewTimer(backoff)
		select {
		case <-retry.C:
			backoff = min(2*backoff, mostRetry)
		case <-end.over:
			end.over, end.last, backoff = nil, time.After(lastWait), leastBackoff
		case <-end.last:
			end.passed = true
		}
		retry.Stop()
	}
}

// lessen takes out of an entry what may be all that cannot be stored, and tells who
// asked for it: the readings go on without. false: there is nothing of that kind.
func (q *queue) lessen(e *entry, err error) bool {
	b := &e.batch
	switch {
	case b.asks():
		for _, a := range e.asked {
			a <- err
		}
		q.told <- commit{refused: err}
		e.selected, e.asked, b.Selections, b.Marks, b.Directions = nil, nil, nil, nil, nil
	case errors.Is(err, ErrRefused) && len(b.Points)+len(b.Calibrated) > 0:
		q.told <- commit{refused: err, stand: e.stand}
		e.answer(err)
		b.Points, b.Calibrated, e.stand = nil, nil, nil
	default:
		return false
	}
	return true
}

// asks tells whether the batch holds what somebody asked for.
func (b *Batch) asks() bool { return len(b.Selections)+len(b.Marks)+len(b.Directions) > 0 }

// answer tells everybody who still waits; their channels have room.
func (e *entry) answer(err error) {
	for _, list := range [...][]chan error{e.asked, e.waiting} {
		for _, a := range list {
			a <- err
		}
	}
	e.asked, e.waiting = nil, nil
}
