package acquire

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"time"

	"crownmark/acquire/wire"
)

// fakeLine is a cable with an instrument at its end, for sources without a
// device. It keeps to what a serial port does: a read waits for the read
// timeout, nothing is no error, and pulling the plug fails every later read.
type fakeLine struct {
	mu      sync.Mutex
	plugged bool
	birth   int // counts how often it was plugged in
	refuse  error
	in      chan []byte
	pulled  chan struct{}
	asked   []string
	answer  string // to every request
	hangs   bool   // it says nothing until it is opened anew
}

func newFakeLine() *fakeLine {
	f := &fakeLine{}
	f.plug()
	return f
}

func (f *fakeLine) plug() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.plugged, f.birth, f.in, f.pulled = true, f.birth+1, make(chan []byte, 4096), make(chan struct{})
}

func (f *fakeLine) unplug() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.plugged = false
	close(f.pulled)
}

func (f *fakeLine) say(text string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.plugged && !f.hangs {
		f.in <- []byte(text)
	}
}

// source makes a source whose port is this line.
func (f *fakeLine) source(cfg []InstrumentConfig, now func() int64) Source {
	s, err := newSerialSource(cfg, now)
	if err != nil {
		panic(err)
	}
	s.open = f.open
	s.node = func(string) string {
		f.mu.Lock()
		defer f.mu.Unlock()
		if !f.plugged {
			return ""
		}
		return fmt.Sprint(f.birth)
	}
	return s
}

func (f *fakeLine) open(path string, _ int, _ wire.Serial, timeout time.Duration) (rawPort, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case !f.plugged:
		return nil, portAbsent(path, fs.ErrNotExist)
	case f.refuse != nil:
		return nil, f.refuse
	}
	f.hangs = false
	for len(f.in) > 0 { // what waited is dropped
		<-f.in
	}
	return &fakePort{line: f, path: path, timeout: timeout, in: f.in, pulled: f.pulled}, nil
}

type fakePort struct {
	line    *fakeLine
	path    string
	timeout time.Duration
	in      chan []byte
	pulled  chan struct{}
	rest    []byte
	closed  bool
}

func (p *fakePort) read(b []byte) (int, error) {
	if p.closed {
		return 0, errPortClosed
	}
	if len(p.rest) == 0 {
		wait := time.NewTimer(p.timeout)
		defer wait.Stop()
		select {
		case p.rest = <-p.in:
		case <-p.pulled:
			return 0, portLost(p.path, errors.New("pulled"))
		case <-wait.C:
			return 0, nil
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (p *fakePort) write(b []byte) error {
	p.line.mu.Lock()
	defer p.line.mu.Unlock()
	p.line.asked = append(p.line.asked, string(b))
	if p.line.answer != "" {
		p.in <- []byte(p.line.answer)
	}
	return nil
}

func (p *fakePort) patience(d time.Duration) error { p.timeout = d; return nil }

func (p *fakePort) close() error { p.closed = true; return nil }

// memory is a Recorder that keeps everything in order.
type memory struct {
	mu      sync.Mutex
	batches []Batch
	ledger  int64
	fail    func(Batch) error
	block   chan struct{} // not nil: Record waits for it
}

func (m *memory) Record(_ context.Context, b Batch) (int64, error) {
	m.mu.Lock()
	block, fail := m.block, m.fail
	m.mu.Unlock()
	if block != nil {
		<-block
	}
	if fail != nil {
		if err := fail(b); err != nil {
			return 0, err
		}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ledger++
	m.batches = append(m.batches, b)
	return m.ledger, nil
}

// all is one batch of all that was kept.
func (m *memory) all() (sum Batch) {
	m.mu.Lock()
	defer m.mu.Unlock()
	e := entry{}
	for _, b := range m.batches {
		e.join(&entry{batch: b})
	}
	return e.batch
}

// faults lists what a store would refuse, and sweeps whose readings are not there.
func (m *memory) faults() (found []string) {
	add := func(format string, a ...any) { found = append(found, fmt.Sprintf(format, a...)) }
	last := map[int64]int64{}
	have := map[[2]int64]bool{}
	open := map[int64]bool{}
	m.mu.Lock()
	for _, b := range m.batches {
		for _, s := range b.Streams {
			if _, ok := last[s.ID]; ok {
				add("stream %d opened twice", s.ID)
			}
			last[s.ID] = 0
		}
		if !slices.IsSortedFunc(b.Readings, func(a, b Reading) int { return int(a.Stream - b.Stream) }) {
			add("readings are not in the order of streams")
		}
		for _, r := range b.Readings {
			if seq, ok := last[r.Stream]; !ok || r.Seq <= seq {
				add("reading %d of stream %d after %d (opened: %v)", r.Seq, r.Stream, seq, ok)
			}
			last[r.Stream] = r.Seq
			have[[2]int64{r.Stream, r.Seq}] = true
		}
		for _, s := range b.Begins {
			open[s.ID] = true
		}
		for _, e := range b.Ends {
			if !open[e.Sweep] {
				add("sweep %d ended without a beginning", e.Sweep)
			}
			delete(open, e.Sweep)
		}
	}
	m.mu.Unlock()
	all := m.all()
	for _, s := range all.Begins {
		for _, key := range [][2]int64{{s.IndStream, s.IndFrom}, {s.EncStream, s.EncFrom}} {
			if !have[key] {
				add("sweep %d begins at a reading that is not kept: %v", s.ID, key)
			}
		}
	}
	for i, e := range all.Ends {
		for _, key := range [][2]int64{{all.Begins[i].IndStream, e.IndTo}, {all.Begins[i].EncStream, e.EncTo}} {
			if b := all.Begins[i]; b.ID == e.Sweep && !have[key] {
				add("sweep %d ends at a reading that is not kept: %v", e.Sweep, key)
			}
		}
	}
	return found
}
