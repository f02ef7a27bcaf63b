package virtual

import (
	"context"
	"time"
)

// pacer ties virtual time to the wall's: due = base + virtual/speedup. Whenever
// virtual time stood still (a script's own code) or the machine could not keep
// up, base moves on, so that nothing is ever said in haste.
type pacer struct {
	speedup float64
	base    time.Time
	stopped time.Time // when virtual time last stood still; zero: it runs
	now     func() time.Time
	sleep   func(context.Context, time.Duration) error
}

// lateMax is how late a line may be before it and all later ones move together:
// on a busy machine the virtual bench goes slower, but what it says stays true
// to the time at which it is said.
const lateMax = 500 * time.Microsecond

func newPacer(speedup float64) *pacer {
	return &pacer{speedup: speedup, now: time.Now, sleep: sleepCtx}
}

func sleepCtx(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// resume lets virtual time run again.
func (p *pacer) resume() {
	now := p.now()
	if p.base.IsZero() {
		p.base = now
	} else if !p.stopped.IsZero() {
		if still := now.Sub(p.stopped); still > time.Millisecond {
			p.base = p.base.Add(still)
		}
	}
	p.stopped = time.Time{}
}

// pause lets virtual time stand still.
func (p *pacer) pause() { p.stopped = p.now() }

// wait returns when the wall has reached a virtual time.
func (p *pacer) wait(ctx context.Context, virtual float64) error {
	due := p.base.Add(time.Duration(virtual / p.speedup * 1e9))
	if early := due.Sub(p.now()); early > 0 {
		if err := p.sleep(ctx, early); err != nil {
			return err
		}
	}
	if late := p.now().Sub(due); late > lateMax {
		p.base = p.base.Add(late)
	}
	return ctx.Err()
}
