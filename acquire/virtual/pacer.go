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

// lateMax is how late a line may be before all later ones move with it.
const lateMax = 10 * time.Millisecond

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
	early := due.Sub(p.now())
	if early > 0 {
		return p.sleep(ctx, early)
	}
	if -early > lateMax {
		p.base = p.base.Add(-early)
	}
	return ctx.Err()
}
