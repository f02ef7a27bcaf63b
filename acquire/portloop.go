package acquire

import (
	"context"
	"errors"
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
	mostBackoff  = time.Second
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
			heard, why := b.listen(ctx, p, node)
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
func (b *Bench) listen(ctx context.Context, p *benchPort, node string) (heard bool, err error) {
	quiet := quiet{lastNS: b.o.Now()}
	for ctx.Err() == nil {
		h, err := p.source.Read()
		if h.Bytes > 0 || len(h.Readings) > 0 || len(h.Faults) > 0 {
			heard = true
			quiet.ends(b.o.Now(), len(h.Readings))
			b.tell(p, portNews{kind: portHeard, heard: h})
		}
		if err == nil {
			err = quiet.fault(b.o.Now(), p, node)
		}
		if err != nil {
			return heard, err
		}
	}
	return heard, nil
}

// quiet watches a port that says nothing: it may be dead without saying so.
type quiet struct {
	lastNS   int64 // when something came last
	longest  int64 // time without anything so far
	readings int   // since the port was opened
	lookedNS int64
}

const (
	lookQuietNS = 1e9  // so long quiet: is the device still there?
	steadyLeast = 50   // readings without a pause of steadyNS: it speaks by itself …
	steadyNS    = 2e9  //
	hungNS      = 10e9 // … so that this silence means that something hangs
)

func (q *quiet) ends(nowNS int64, readings int) {
	if q.readings > 0 {
		q.longest = max(q.longest, nowNS-q.lastNS)
	}
	q.lastNS, q.readings = nowNS, q.readings+readings
}

// fault is why to give the port up: the device behind it went without a word,
// or an instrument that spoke steadily has stopped. The latter is opened anew
// once: if it stays silent then, nothing more is tried.
func (q *quiet) fault(nowNS int64, p *benchPort, node string) error {
	silent := nowNS - q.lastNS
	if silent < lookQuietNS || nowNS-q.lookedNS < lookQuietNS {
		return nil
	}
	q.lookedNS = nowNS
	if p.source.Node() != node {
		return portLost(p.path, errOtherNode)
	}
	if q.readings >= steadyLeast && q.longest < steadyNS && silent >= hungNS {
		return portHangs(p.path)
	}
	return nil
}

var errOtherNode = errors.New("the device behind it went or changed")

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
