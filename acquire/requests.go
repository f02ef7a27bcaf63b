package acquire

import (
	"context"
	"fmt"
	"maps"
	"math"
	"strings"
)

// request is something to be done by the bench's goroutine.
type request struct {
	do   func(*loop) error
	asks bool // it puts a selection, mark or direction into the batch
	done chan error
}

// ask has do carried out and waits until what it put into the batch is stored.
func (b *Bench) ask(ctx context.Context, asks bool, do func(*loop) error) error {
	r := &request{do: do, asks: asks, done: make(chan error, 2)}
	select {
	case b.requests <- r:
	case <-b.stopped:
		return ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-r.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// result is ask for what has a result. One that nobody waited for is lost.
func result[T any](ctx context.Context, b *Bench, asks bool, do func(*loop, *T) error) (T, error) {
	made := new(T)
	if err := b.ask(ctx, asks, func(l *loop) error { return do(l, made) }); err != nil {
		var none T
		return none, err
	}
	return *made, nil
}

func (l *loop) serve(r *request) {
	if err := r.do(l); err != nil {
		r.done <- err
		return
	}
	if r.asks {
		l.cur.asked = append(l.cur.asked, r.done)
	} else {
		l.cur.waiting = append(l.cur.waiting, r.done)
	}
	l.flush()
	l.publish()
}

// Select says which cylinder each indicator stands on from now on and ends
// every running sweep. It returns once that is stored. AtNS is filled in; a
// cylinder of 0 means none.
func (b *Bench) Select(ctx context.Context, s Selection) error {
	s.Cylinders = maps.Clone(s.Cylinders)
	return b.ask(ctx, true, func(l *loop) error {
		for name, cylinder := range s.Cylinders {
			switch {
			case l.indicator(name) == nil:
				return l.unknown(name)
			case cylinder == 0:
				delete(s.Cylinders, name)
			case l.offStand(l.indicator(name)) != nil:
				return l.offStand(l.indicator(name))
			case cylinder < 0:
				return fmt.Errorf("cylinder %d: numbers start at 1", cylinder)
			}
		}
		if s.Job == 0 && len(s.Cylinders) > 0 {
			return fmt.Errorf("cylinders without a job: %w: name the job they belong to", ErrNoSelection)
		}
		s.AtNS = l.now
		l.apply(s)
		l.cur.batch.Selections = append(l.cur.batch.Selections, s)
		l.cur.selected = &s
		return nil
	})
}

// apply makes a selection the one in force.
func (l *loop) apply(s Selection) {
	l.sweeps(l.detector.end(-1, CauseSelection))
	otherJob := s.Job != l.selection.Job
	l.selection = s
	for _, one := range l.inds {
		cylinder := s.Cylinders[one.cfg.Name]
		if cylinder == one.cylinder && !otherJob {
			continue
		}
		one.cylinder = cylinder
		l.detector.place(one.index, cylinder != 0)
		l.clearHints(one)
		if cylinder != 0 {
			l.newSetup(one, CauseSelection)
		}
	}
	l.useJob(s.Job)
	l.noticeSelection()
	if s.Job != 0 && l.now-l.movedNS <= int64(l.b.cfg.Sweep.IdleS*1e9) {
		l.startRecording()
	}
	l.stopRecording()
}

// selectAgain goes back to the selection that is stored.
func (l *loop) selectAgain() {
	if l.selection.AtNS != l.stored.AtNS || l.selection.Job != l.stored.Job {
		l.apply(l.stored)
	}
}

// useJob begins a new mount for another job, unless no job has used this one
// yet: another job is another engine, so the encoder was moved.
func (l *loop) useJob(job int64) {
	if job == 0 || job == l.mountJob {
		return
	}
	free := l.mountFree
	if l.mountJob, l.mountFree = job, false; free {
		return
	}
	if l.enc.opened == nil || l.enc.fresh {
		l.newMount = "job"
		return
	}
	l.startMount("job", l.enc.seq+1)
	l.mountFree = false
	l.noticeNewMount(fmt.Sprintf("job %d is another engine than the one before", job))
}

func (l *loop) indicator(name string) *instrument {
	for _, one := range l.inds {
		if one.cfg.Name == name {
			return one
		}
	}
	return nil
}

func (l *loop) unknown(name string) error {
	var names []string
	for _, one := range l.inds {
		names = append(names, one.cfg.Name)
	}
	return fmt.Errorf("%w %q: this bench has %s", ErrUnknownIndicator, name, strings.Join(names, ", "))
}

// thisJob refuses what belongs to another job than the selected one.
func (l *loop) thisJob(job int64) error {
	switch {
	case job <= 0:
		return fmt.Errorf("job %d: %w: name a job", job, ErrNoSelection)
	case l.selection.Job != 0 && l.selection.Job != job:
		return fmt.Errorf("job %d: %w, job %d: select yours first", job, ErrWrongJob, l.selection.Job)
	case l.enc.opened == nil || l.enc.fresh:
		return fmt.Errorf("the encoder is %w (%s): get it going first", ErrNotLive, l.status(l.enc))
	}
	return nil
}

// here puts the encoder's last reading into the batch, moving or not.
func (l *loop) here() (stream, seq int64) {
	l.moved(l.now)
	l.catchUp(l.enc)
	return l.enc.opened.ID, l.enc.seq
}

// Mark says that the damper mark at markDeg (negative: before the top) stands
// under the pointer now. It returns once that is stored.
func (b *Bench) Mark(ctx context.Context, job int64, markDeg float64) (MarkPress, error) {
	if math.IsNaN(markDeg) || math.Abs(markDeg) > 360 {
		return MarkPress{}, fmt.Errorf("a mark at %g° cannot be: give its degrees as written on the damper, negative before the top", markDeg)
	}
	return result(ctx, b, true, func(l *loop, m *MarkPress) error {
		if err := l.thisJob(job); err != nil {
			return err
		}
		l.useJob(job)
		*m = MarkPress{Job: job, MarkDeg: markDeg, AtNS: l.now}
		m.EncStream, m.EncSeq = l.here()
		if l.lastMove.deg >= l.b.cfg.Sweep.MotionDeg {
			m.Approach = l.lastMove.dir
		}
		l.cur.batch.Marks = append(l.cur.batch.Marks, *m)
		return nil
	})
}

// directionDeg is how far the crank must have been turned one way for that to
// be called a direction.
const directionDeg = 3.0

// Direction says that the last motion was in running direction. ErrNoMotion
// when less than three degrees were turned one way.
func (b *Bench) Direction(ctx context.Context, job int64) (DirectionConfirmed, error) {
	return result(ctx, b, true, func(l *loop, d *DirectionConfirmed) error {
		if err := l.thisJob(job); err != nil {
			return err
		}
		if l.lastMove.deg < directionDeg {
			return fmt.Errorf("%w: the crank last turned %.1f° one way: turn it at least %g° in running direction, then confirm", ErrNoMotion, l.lastMove.deg, directionDeg)
		}
		l.useJob(job)
		*d = DirectionConfirmed{Job: job, Sign: l.lastMove.dir, MovedDeg: l.lastMove.deg, AtNS: l.now}
		d.EncStream, d.EncSeq = l.here()
		l.cur.batch.Directions = append(l.cur.batch.Directions, *d)
		return nil
	})
}

// Zero says that the indicator's display has just been zeroed on something
// ("deck"). It ends that indicator's sweep and returns once it is stored.
func (b *Bench) Zero(ctx context.Context, indicator, on string) (Datum, error) {
	return result(ctx, b, false, func(l *loop, d *Datum) error {
		one := l.indicator(indicator)
		if one == nil {
			return l.unknown(indicator)
		}
		if one.opened == nil || one.fresh {
			return fmt.Errorf("indicator %s is %w (%s): get it going, zero it, then say so", one.cfg.Name, ErrNotLive, l.status(one))
		}
		if err := l.offStand(one); err != nil {
			return err
		}
		*d = l.zero(one, on)
		return nil
	})
}

func (l *loop) zero(one *instrument, on string) Datum {
	l.sweeps(l.detector.end(one.index, CauseZero))
	l.detector.place(one.index, one.cylinder != 0)
	l.announce(one)
	l.noticeZero(one)
	return l.newZeroing(one, "zero:"+on)
}
