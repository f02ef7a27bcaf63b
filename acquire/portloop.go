package acquire

import (
	"context"
	"time"
)

// benchPort is one port and the instruments that share it.
type benchPort struct {
	index       int
	path        string
	source      Source
	instruments []int // places in encoder-then-indicators order
}

// portNews is what a port's goroutine tells the bench's.
type portNews struct {
	port     int
	kind     portNewsKind
	atNS     int64
	heard    Heard
	err      error  // portTrouble, portGone
	identity string // portOpened
	lumpsMS  int    // portOpened: the adapter's latency timer
}

type portNewsKind uint8

const (
	portOpened portNewsKind = iota
	portHeard
	portGone    // it was open and is not any more
	portTrouble // it could not be opened
)

// Waiting before a port is tried again. What stands at its path is looked at
// more often, so that an instrument that is plugged in again is heard at once.
const (
	leastBackoff = 250 * time.Millisecond
	mostBackoff  = 5 * time.Second
	lookEvery    = 250 * time.Millisecond
)

// runPort keeps one port open until ctx is done. Its sends need no way out: the
// bench's goroutine takes news until every port has ended.
func (b *Bench) runPort(ctx context.Context, p *benchPort) {
	backoff := leastBackoff
	for ctx.Err() == nil {
		node := p.source.Node()
		err := p.source.Open(ctx)
		if err != nil {
			b.tell(p, portNews{kind: portTrouble, err: err})
		} else {
			b.tell(p, portNews{kind: portOpened, identity: p.source.Identity(), lumpsMS: latencyTimerMS(p.path, "/sys")})
			heard, why := b.listen(ctx, p)
			if err := p.source.Close(); err != nil { // at once: a dead port that is held blocks its own return
				b.o.Logger.Warn("closing a port", "port", p.path, "cause", err)
			}
			b.tell(p, portNews{kind: portGone, err: why})
			if heard {
				backoff = leastBackoff
			}
		}
		if changed := b.pause(ctx, p, node, backoff); changed {
			backoff = leastBackoff
		} else {
			backoff = min(2*backoff, mostBackoff)
		}
	}
}

// listen reads until something fails; the error is nil when ctx is done.
func (b *Bench) listen(ctx context.Context, p *benchPort) (heard bool, err error) {
	for ctx.Err() == nil {
		h, err := p.source.Read()
		if h.Bytes > 0 || len(h.Readings) > 0 || len(h.Faults) > 0 {
			heard = true
			b.tell(p, portNews{kind: portHeard, heard: h})
		}
		if err != nil {
			return heard, err
		}
	}
	return heard, nil
}

func (b *Bench) tell(p *benchPort, n portNews) {
	n.port, n.atNS = p.index, b.o.Now()
	b.news <- n
}

// pause waits for the backoff, or until something else stands at the path.
func (b *Bench) pause(ctx context.Context, p *benchPort, node string, backoff time.Duration) (changed bool) {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for waited := time.Duration(0); waited < backoff; waited += lookEvery {
		select {
		case <-ctx.Done():
			return false
		case <-look.C:
			if now := p.source.Node(); now != "" && now != node {
				return true
			}
		}
	}
	return false
}
