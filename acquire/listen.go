package acquire

import (
	"bytes"
	"context"
	"math/bits"
	"slices"
	"time"

	"crownmark/acquire/wire"
)

// Talk is what was heard on a port at one speed and frame.
type Talk struct {
	Baud  int
	Frame string
	Bytes int

	chunks []talkChunk
	high   int // bytes with the eighth bit set
	even   int // bytes with an even number of ones
}

// talkChunk is what one read brought.
type talkChunk struct {
	atNS int64
	b    []byte
}

// talkMost bounds what is kept of a talk, in bytes.
const talkMost = 1 << 16

func (t *Talk) add(b []byte, atNS int64) {
	t.Bytes += len(b)
	for _, c := range b {
		if c >= 0x80 {
			t.high++
		}
		if bits.OnesCount8(c)%2 == 0 {
			t.even++
		}
	}
	if t.Bytes <= talkMost {
		t.chunks = append(t.chunks, talkChunk{atNS, slices.Clone(b)})
	}
}

// shapes are the frames that would explain what was heard; one with a parity
// bit shows it as the eighth when it is listened to with eight bits and none.
func (t *Talk) shapes() []wire.Serial {
	heard, err := wire.ParseSerial(t.Frame)
	if err != nil {
		return nil
	}
	list := []wire.Serial{heard}
	if heard.DataBits == 8 && heard.Parity == wire.ParityNone && t.high > 0 {
		switch {
		case t.even*20 >= t.Bytes*19:
			list = append(list, wire.Serial{DataBits: 7, Parity: wire.ParityEven, StopBits: 1})
		case t.even*20 <= t.Bytes:
			list = append(list, wire.Serial{DataBits: 7, Parity: wire.ParityOdd, StopBits: 1})
		}
	}
	return list
}

// text is the last printable line or bytes, for people.
func (t *Talk) text() string {
	var all []byte
	for _, c := range t.chunks[max(0, len(t.chunks)-8):] {
		all = append(all, c.b...)
	}
	all = bytes.TrimRight(all, "\r\n")
	if i := bytes.LastIndexAny(all, "\r\n"); i >= 0 {
		all = all[i+1:]
	}
	return clip(string(all[max(0, len(all)-40):]))
}

// listening hears what comes on an open port at one speed and frame.
type listening struct {
	talk    Talk
	request []byte // asked again and again; nil: nothing is sent
}

const (
	// askAgain is how often a request is put while listening.
	askAgain = 200 * time.Millisecond
	// listenStep is how long a read waits while listening.
	listenStep = 50 * time.Millisecond
)

// on hears what comes for a while. The error is a
// *PortError or the context's.
func (l *listening) on(ctx context.Context, p *port, d time.Duration) error {
	shape, err := wire.ParseSerial(l.talk.Frame)
	if err != nil {
		return err
	}
	if err := p.retune(l.talk.Baud, shape); err != nil {
		return err
	}
	return l.to(ctx, p, d)
}

func (l *listening) to(ctx context.Context, p rawPort, d time.Duration) error {
	start, asked := time.Now(), time.Time{}
	buf := make([]byte, 1024)
	for time.Since(start) < d {
		if err := ctx.Err(); err != nil {
			return err
		}
		if l.request != nil && time.Since(asked) >= askAgain {
			asked = time.Now()
			if err := p.write(l.request); err != nil {
				return err
			}
		}
		n, err := p.read(buf)
		if err != nil {
			return err
		}
		if n == 0 && l.request != nil && l.talk.Bytes == 0 && time.Since(start) > d/2 {
			return nil // who is asked rightly answers sooner
		}
		if n > 0 {
			l.talk.add(buf[:n], time.Since(start).Nanoseconds())
		}
	}
	return nil
}
