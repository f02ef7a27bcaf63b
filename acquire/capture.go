package acquire

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"crownmark/acquire/replay"
	"crownmark/acquire/wire"
)

// Capture writes what comes on the ports of some instruments, byte for byte,
// until ctx is done; instruments that speak when asked are asked. A port that
// goes away is waited for, and its going and coming are written. The error is
// keep's first, or the *PortError of a port that could not be opened at the
// start.
//
// The events' ports are places in CapturePorts(cfg).
func Capture(ctx context.Context, cfg []InstrumentConfig, keep func(replay.Event) error) error {
	c := &capture{begun: time.Now(), keep: keep}
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var ports sync.WaitGroup
	for n, one := range sharing(cfg) {
		p, err := c.open(one)
		if err != nil {
			stop(err)
			break
		}
		ports.Go(func() {
			if err := c.follow(ctx, n, one, p); err != nil {
				stop(err)
			}
		})
	}
	ports.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil
}

// CapturePorts are the ports of some instruments, each under the name of its
// first one.
func CapturePorts(cfg []InstrumentConfig) (ports []replay.Port) {
	for _, one := range sharing(cfg) {
		name := replay.NameOf(one.Name)
		for n := 2; slices.ContainsFunc(ports, func(p replay.Port) bool { return p.Name == name }); n++ {
			name = fmt.Sprintf("%s-%d", replay.NameOf(one.Name), n)
		}
		ports = append(ports, replay.Port{Name: name, Baud: one.Baud, Frame: one.Frame})
	}
	return ports
}

// captured is a port to be captured.
type captured struct {
	InstrumentConfig          // of its first instrument
	questions        []string // of all, put in turn
}

// sharing are the ports of some instruments.
func sharing(cfg []InstrumentConfig) (ports []captured) {
	at := map[string]int{}
	for _, one := range cfg {
		n, have := at[one.Port]
		if !have {
			n = len(ports)
			at[one.Port] = n
			ports = append(ports, captured{InstrumentConfig: one})
		}
		p, q := &ports[n], one.question()
		if q == "" || slices.Contains(p.questions, q) {
			continue
		}
		if p.questions = append(p.questions, q); len(p.questions) == 1 || one.IntervalMS < p.IntervalMS {
			p.IntervalMS = one.IntervalMS
		}
	}
	return ports
}

// question is what asks the instrument, "" for one that speaks by itself.
func (c InstrumentConfig) question() string {
	if s, err := c.wire(); err == nil {
		if q := wire.Request(s); len(q) > 0 {
			return string(q)
		}
	}
	return c.Request
}

type capture struct {
	begun time.Time
	mu    sync.Mutex
	keep  func(replay.Event) error
}

func (c *capture) tell(port int, kind replay.Kind, b []byte) error {
	at := time.Since(c.begun).Nanoseconds()
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.keep(replay.Event{AtNS: at, Port: port, Kind: kind, Bytes: bytes.Clone(b)})
}

func (c *capture) open(one captured) (*port, error) {
	shape, err := wire.ParseSerial(one.Frame)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", one.Name, err)
	}
	timeout := readTimeout
	if len(one.questions) > 0 {
		timeout = min(readTimeout, max(5*time.Millisecond, time.Duration(one.IntervalMS)*time.Millisecond))
	}
	return openPort(defaultPortSys(), one.Port, one.Baud, shape, timeout)
}

// follow writes one port's bytes, through its going and coming.
func (c *capture) follow(ctx context.Context, n int, one captured, p *port) error {
	for ctx.Err() == nil {
		err := c.listen(ctx, n, one, p)
		if closed := p.close(); err != nil || ctx.Err() != nil {
			return errors.Join(err, closed)
		}
		if err := c.tell(n, replay.Gone, nil); err != nil {
			return err
		}
		if p = c.reopen(ctx, one); p == nil {
			return nil
		}
		if err := c.tell(n, replay.Back, nil); err != nil {
			return errors.Join(err, p.close())
		}
	}
	return p.close()
}

func (c *capture) reopen(ctx context.Context, one captured) *port {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-look.C:
			if p, err := c.open(one); err == nil {
				return p
			}
		}
	}
}

// listen writes what comes until the port fails (nil) or the event cannot be
// kept.
func (c *capture) listen(ctx context.Context, n int, one captured, p *port) error {
	buf := make([]byte, 4096)
	var asked time.Time
	turn := 0
	for ctx.Err() == nil {
		if due := time.Duration(one.IntervalMS) * time.Millisecond; len(one.questions) > 0 && time.Since(asked) >= due {
			q := []byte(one.questions[turn%len(one.questions)])
			asked, turn = time.Now(), turn+1
			if err := p.write(q); err != nil {
				return nil
			}
			if err := c.tell(n, replay.Sent, q); err != nil {
				return err
			}
		}
		got, err := p.read(buf)
		if err != nil {
			return nil // gone
		}
		if got > 0 {
			if err := c.tell(n, replay.Came, buf[:got]); err != nil {
				return err
			}
		}
	}
	return nil
}
