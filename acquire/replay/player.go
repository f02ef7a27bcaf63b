package replay

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"crownmark/acquire/virtual"
)

// Options are a player's settings.
type Options struct {
	Speed float64 // seconds of the capture per second of the wall; 0: 1
	// Dir holds a link for each port, by its name in the capture, which goes and
	// comes back as the port did. "": a temporary folder, removed by Close.
	Dir string
	// Wait returns when the moment has come to play what happened at atNS; nil: at Speed.
	Wait func(ctx context.Context, atNS int64) error
}

// Player says a capture again on pseudo-terminals. NewPlayer → open the ports
// → Run → Close.
type Player struct {
	capture Capture
	wait    func(context.Context, int64) error
	pace    pace
	dir     string
	ownDir  bool
	ports   []*virtual.PTY // nil: away
	heard   []chan string  // by port: what a reader sent since it was last taken
}

// unasked is how long the player waits for a reader to ask as the capture's
// reader did; then it goes on without.
const unasked = time.Second

// NewPlayer makes the ports, each as at the capture's beginning.
func NewPlayer(c Capture, o Options) (*Player, error) {
	if o.Speed < 0 {
		return nil, fmt.Errorf("a speed of %g: give one above zero", o.Speed)
	}
	if o.Speed == 0 {
		o.Speed = 1
	}
	p := &Player{capture: c, dir: o.Dir, wait: o.Wait, pace: pace{speed: o.Speed}, ports: make([]*virtual.PTY, len(c.Ports)), heard: make([]chan string, len(c.Ports))}
	if p.wait == nil {
		p.wait = p.pace.wait
	}
	if p.dir == "" {
		p.ownDir = true
		var err error
		if p.dir, err = os.MkdirTemp("", "crownmark-replay-"); err != nil {
			return nil, fmt.Errorf("a folder for the ports: %w", err)
		}
	} else if err := os.MkdirAll(p.dir, 0o755); err != nil {
		return nil, fmt.Errorf("a folder for the ports: %w; name another with --dir", err)
	}
	for n := range c.Ports {
		if err := p.plug(n); err != nil {
			return nil, errors.Join(err, p.Close())
		}
	}
	return p, nil
}

// Path is where a port of the capture is played.
func (p *Player) Path(port int) string { return filepath.Join(p.dir, p.capture.Ports[port].Name) }

// Run plays the capture once. The error is the context's, or why a port could
// not be spoken on.
func (p *Player) Run(ctx context.Context) error {
	for _, e := range p.capture.Events {
		if err := p.wait(ctx, e.AtNS); err != nil {
			return err
		}
		if err := p.play(ctx, e); err != nil {
			return err
		}
	}
	return nil
}

func (p *Player) play(ctx context.Context, e Event) error {
	port := p.ports[e.Port]
	switch {
	case e.Kind == Back && port == nil:
		return p.plug(e.Port)
	case e.Kind == Back || port == nil: // what is away says nothing
		return nil
	case e.Kind == Gone:
		return p.pull(e.Port)
	case e.Kind == Sent:
		return p.asked(ctx, e.Port, e.Bytes)
	}
	return port.Write(e.Bytes)
}

// asked waits until a reader has asked this.
func (p *Player) asked(ctx context.Context, port int, question []byte) error {
	patience := time.NewTimer(unasked)
	defer patience.Stop()
	for heard := ""; !strings.Contains(heard, string(question)); {
		select {
		case more := <-p.heard[port]:
			heard += more
		case <-patience.C:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

func (p *Player) plug(n int) error {
	heard := make(chan string, 1)
	p.heard[n] = heard
	port, err := virtual.OpenPTY(func(b []byte) { collect(heard, string(b)) })
	if err != nil {
		return err
	}
	if err := os.Symlink(port.Path(), p.Path(n)); err != nil {
		return errors.Join(fmt.Errorf("naming a port: %w; name another folder with --dir", err), port.Close())
	}
	p.ports[n] = port
	return nil
}

// collect adds to what waits in a channel of one; only one goroutine does.
func collect(in chan string, text string) {
	const most = 4096 // nobody may take it
	select {
	case before := <-in:
		text = before + text
	default:
	}
	in <- text[max(0, len(text)-most):]
}

// pull hangs a port up, once its reader has taken what was sent.
func (p *Player) pull(n int) error {
	port := p.ports[n]
	p.ports[n] = nil
	port.Drain()
	return errors.Join(os.Remove(p.Path(n)), port.Close())
}

// Close takes the ports away.
func (p *Player) Close() error {
	var errs []error
	for n, port := range p.ports {
		if port != nil {
			errs = append(errs, p.pull(n))
		}
	}
	if p.ownDir {
		errs = append(errs, os.Remove(p.dir))
	}
	return errors.Join(errs...)
}

// pace ties the capture's time to the wall's. What comes late, on a busy
// machine or because a reader took its time to ask, moves all that follows.
type pace struct {
	speed float64
	base  time.Time
}

const lateMax = 500 * time.Microsecond

func (p *pace) wait(ctx context.Context, atNS int64) error {
	if p.base.IsZero() {
		p.base = time.Now()
	}
	due := p.base.Add(time.Duration(float64(atNS) / p.speed))
	if early := time.Until(due); early > 0 {
		t := time.NewTimer(early)
		defer t.Stop()
		select {
		case <-t.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if late := time.Since(due); late > lateMax {
		p.base = p.base.Add(late)
	}
	return ctx.Err()
}
