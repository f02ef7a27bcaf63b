package virtual

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"
)

// RigOptions are a rig's settings.
type RigOptions struct {
	Speedup float64 // virtual seconds per second of the wall; 0: 1
	Script  Script  // nil: nobody turns the crank
	// Dir holds a link for each port, by its instrument's name, which stays
	// when the port is unplugged and comes back under another number. "": a
	// temporary folder, removed by Close.
	Dir string
	// Voices are how instruments speak ("encoder" or an indicator's name) that
	// do not just say a line for each reading.
	Voices map[string]Voice
	// Said is told each number that goes over a wire, in order for each
	// instrument; it must not block. nil: nobody listens.
	Said func(instrument, number string)
}

// Rig is the virtual bench on pseudo-terminals: a program that reads serial
// ports can measure it. NewRig → open the ports → Run → Close.
//
// An encoder says its count, decimal, a line each: "-1234\r\n". An indicator
// says sign, four digits, point, decimals, unit: "+0012.345 mm\r\n".
type Rig struct {
	truth   Truth
	script  Script
	dir     string
	ownDir  bool
	bench   *bench
	pacer   *pacer
	ctx     context.Context // Run's
	made    time.Time
	said    func(instrument, number string)
	voices  []Voice // by instrument
	homes   []int   // by instrument: whose port it speaks on
	mu      sync.Mutex
	ports   []*PTY   // by instrument; nil: unplugged, or at home elsewhere
	latest  []line   // by instrument: its last reading
	asked   [][]byte // by port: what was asked and not answered
	lost    atomic.Int64
	scripts chan struct{} // closed when the script is over
}

// NewRig makes the ports. The error says what is impossible about the bench,
// or why the system gives no pseudo-terminal.
func NewRig(t Truth, o RigOptions) (*Rig, error) {
	if o.Speedup == 0 {
		o.Speedup = 1
	}
	if o.Speedup < 0 {
		return nil, fmt.Errorf("virtual bench: a speedup of %g: give one above zero", o.Speedup)
	}
	r := &Rig{script: o.Script, dir: o.Dir, made: time.Now(), pacer: newPacer(o.Speedup), scripts: make(chan struct{})}
	b, err := newBench(t, r)
	if err != nil {
		return nil, err
	}
	r.bench, r.truth = b, b.truth
	if r.dir == "" {
		r.ownDir = true
		if r.dir, err = os.MkdirTemp("", "crownmark-virtual-"); err != nil {
			return nil, fmt.Errorf("virtual bench: a folder for the ports: %w", err)
		}
	}
	if err := r.speak(o); err != nil {
		return nil, errors.Join(err, r.Close())
	}
	for n, home := range r.homes {
		if home != n {
			continue
		}
		if err := r.plug(n); err != nil {
			return nil, errors.Join(err, r.Close())
		}
	}
	return r, nil
}

// Truth is the bench behind it all.
func (r *Rig) Truth() Truth { return r.truth }

// Speedup is how many virtual seconds a second of the wall has.
func (r *Rig) Speedup() float64 { return r.pacer.speedup }

// EncoderPort is the encoder's port.
func (r *Rig) EncoderPort() string { return r.link(0) }

// IndicatorPort is an indicator's port, "" for a name that the bench has not.
func (r *Rig) IndicatorPort(name string) string {
	for i := range r.bench.inds {
		if r.bench.inds[i].Name == name {
			return r.link(1 + i)
		}
	}
	return ""
}

// ScriptDone is closed when the script has ended without an error.
func (r *Rig) ScriptDone() <-chan struct{} { return r.scripts }

// LostBytes is how many bytes nobody read.
func (r *Rig) LostBytes() int64 { return r.lost.Load() }

// Run switches the instruments on and does the script; then the instruments go
// on at rest until ctx is done. It returns nil then, and the script's error or
// the context's when the script could not be finished. Call it once.
func (r *Rig) Run(ctx context.Context) error {
	r.ctx = ctx
	o := newOperator(ctx, r.bench)
	o.pacer, o.ports = r.pacer, r
	if r.script != nil {
		if err := r.script(o); err != nil {
			return err
		}
	}
	close(r.scripts)
	for {
		if err := o.Rest(3600); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
	}
}

// Close takes the ports away.
func (r *Rig) Close() error {
	var errs []error
	for n, p := range r.ports {
		if p != nil {
			r.mu.Lock()
			r.ports[n] = nil
			r.mu.Unlock()
			errs = append(errs, p.Close())
		}
		if err := os.Remove(r.link(n)); err != nil && !errors.Is(err, os.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	if r.ownDir {
		errs = append(errs, os.Remove(r.dir))
	}
	return errors.Join(errs...)
}

// put is the sink of the bench: it waits for the line's time and says it, if
// the instrument speaks by itself.
func (r *Rig) put(l line) error {
	if err := r.pacer.wait(r.ctx, l.at); err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	l.looked = time.Since(r.made).Seconds() - (l.at-l.looked)/r.pacer.speedup // own clocks run on the wall's time
	r.latest[l.port] = l
	if v := r.voices[l.port]; l.muted || v.asked() || v.Pedal {
		return nil
	}
	return r.tell(l.port)
}

// tell says an instrument's last reading; r.mu is held.
func (r *Rig) tell(instrument int) error {
	l := &r.latest[instrument]
	r.said(r.name(instrument), l.number)
	return r.say(instrument, r.voices[instrument].encode(l))
}

// say sends bytes on an instrument's port; r.mu is held.
func (r *Rig) say(instrument int, b []byte) error {
	port := r.homes[instrument]
	p := r.ports[port]
	if p == nil {
		return nil
	}
	if shape := r.voices[instrument].Shape; shape != (Shape{}) {
		if reader, ok := shapeOf(p.slave, shape); ok {
			b = reader.receive(b, shape)
		}
	}
	before := p.lost
	err := p.Write(b)
	r.lost.Add(p.lost - before)
	if err != nil {
		return fmt.Errorf("virtual bench: writing to %s: %w", r.link(port), err)
	}
	return nil
}

func (r *Rig) name(port int) string {
	if port == 0 {
		return encoderName
	}
	return r.bench.inds[port-1].Name
}

func (r *Rig) link(port int) string {
	if port = r.homes[port]; port == 0 {
		return filepath.Join(r.dir, encoderName)
	}
	return filepath.Join(r.dir, "indicator-"+r.name(port))
}

func (r *Rig) port(instrument string) (int, error) {
	for n := range r.homes {
		if r.name(n) == instrument {
			return n, nil
		}
	}
	return 0, fmt.Errorf("virtual bench: port of %q: the bench has no such instrument", instrument)
}

// plug makes a port and lets its link point there.
func (r *Rig) plug(port int) error {
	p, err := OpenPTY(func(b []byte) { r.hear(port, b) })
	if err != nil {
		return err
	}
	fresh := r.link(port) + ".new"
	if err := errors.Join(os.Symlink(p.path, fresh), os.Rename(fresh, r.link(port))); err != nil {
		return errors.Join(fmt.Errorf("virtual bench: naming a port: %w", err), p.Close())
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.ports[port] = p
	return nil
}

// pull hangs a port up; its link goes, as a device's name does.
func (r *Rig) pull(port int) error {
	r.mu.Lock()
	p := r.ports[port]
	r.ports[port] = nil
	r.mu.Unlock()
	p.Drain()
	return errors.Join(os.Remove(r.link(port)), p.Close())
}

func (r *Rig) unplug(instrument string) error {
	n, err := r.port(instrument)
	if err != nil || r.ports[r.homes[n]] == nil {
		return err
	}
	return r.pull(r.homes[n])
}

func (r *Rig) replug(instrument string) error {
	n, err := r.port(instrument)
	if err != nil || r.ports[r.homes[n]] != nil {
		return err
	}
	return r.plug(r.homes[n])
}

func (r *Rig) garbage(instrument string, raw []byte) error {
	n, err := r.port(instrument)
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.say(n, raw)
}
