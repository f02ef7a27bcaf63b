package acquire

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"crownmark/acquire/wire"
)

// Watching follows instruments that were recognised, to see which of them
// moves. NewWatching → Begin, Heard, as often as needed → Close.
type Watching struct {
	mu    sync.Mutex
	heard [][][]byte // by instrument: its readings as they came
	stop  chan struct{}
	ports sync.WaitGroup
	errs  []error
}

// watchMost bounds what is kept of an instrument; then the older half goes.
const watchMost = 1 << 16

// Move is how an instrument's value moved, in steps of its last digit.
type Move struct {
	Readings int
	Net      int64 // from the first reading to the last
	Range    int64 // between the least and the greatest
	Up, Down int   // steps each way
	Last     string
	Value    float64 // the last, in its own unit
	Unit     Unit
}

// MoveOf reads what was heard of an instrument.
func MoveOf(c InstrumentConfig, heard [][]byte) (m Move) {
	settings, err := c.wire()
	if err != nil {
		return m
	}
	_, decoder, err := wire.New(settings)
	if err != nil {
		return m
	}
	var last wire.Value
	var lo, hi int64
	for _, raw := range heard {
		v, err := decoder.Decode(raw)
		if err != nil {
			continue
		}
		step := v.Ticks - last.Ticks
		if m.Readings++; m.Readings > 1 && v.Decimals == last.Decimals {
			m.Net += step
			lo, hi = min(lo, m.Net), max(hi, m.Net)
			switch {
			case step > 0:
				m.Up++
			case step < 0:
				m.Down++
			}
		}
		last, m.Last = v, c.RawText(raw)
	}
	m.Range, m.Value, m.Unit = hi-lo, last.Number(), last.Unit
	return m
}

// Way is the direction that most steps took, +1, −1, or 0 for none: a counter
// that runs over steps the wrong way once, and far.
func (m Move) Way() int {
	switch {
	case m.Up > m.Down:
		return 1
	case m.Up < m.Down:
		return -1
	}
	return m.Sign()
}

// Sign is where the last reading lies from the first.
func (m Move) Sign() int {
	switch {
	case m.Net > 0:
		return 1
	case m.Net < 0:
		return -1
	}
	return 0
}

// NewWatching opens the ports of some instruments, whose configurations are as
// Recogniser gave them. The error is a *PortError.
func NewWatching(cfg []InstrumentConfig) (*Watching, error) {
	w := &Watching{heard: make([][][]byte, len(cfg)), stop: make(chan struct{})}
	places := map[string][]int{}
	var order []string
	for i, c := range cfg {
		if places[c.Port] == nil {
			order = append(order, c.Port)
		}
		places[c.Port] = append(places[c.Port], i)
	}
	start := time.Now()
	for _, path := range order {
		var of []InstrumentConfig
		for _, i := range places[path] {
			of = append(of, cfg[i])
		}
		s, err := newSerialSource(of, func() int64 { return time.Since(start).Nanoseconds() })
		if err == nil {
			err = s.Open(context.Background())
		}
		if err != nil {
			return nil, errors.Join(err, w.Close())
		}
		w.ports.Go(func() { w.follow(s, places[path]) })
	}
	return w, nil
}

func (w *Watching) follow(s *serialSource, places []int) {
	for {
		select {
		case <-w.stop:
			w.failed(s.Close())
			return
		default:
		}
		h, err := s.Read()
		if err != nil {
			w.failed(errors.Join(err, s.Close()))
			return
		}
		for _, r := range h.Readings {
			w.take(places[r.Stream], r.Raw)
		}
	}
}

func (w *Watching) failed(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err != nil {
		w.errs = append(w.errs, err)
	}
}

func (w *Watching) take(i int, raw []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if h := w.heard[i]; len(h) == watchMost {
		w.heard[i] = append(h[:0], h[watchMost/2:]...)
	}
	w.heard[i] = append(w.heard[i], raw)
}

// Know takes what an instrument said before it was watched.
func (w *Watching) Know(i int, raw []byte) { w.take(i, raw) }

// Begin forgets what was heard, but for the last reading: moves are from there.
func (w *Watching) Begin() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i, h := range w.heard {
		w.heard[i] = slices.Clone(h[max(0, len(h)-1):])
	}
}

// Heard are each instrument's readings since Begin, as they came, and what
// failed meanwhile.
func (w *Watching) Heard() ([][][]byte, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	out := make([][][]byte, len(w.heard))
	for i, h := range w.heard {
		out[i] = slices.Clone(h)
	}
	return out, errors.Join(w.errs...)
}

// Close closes the ports.
func (w *Watching) Close() error {
	close(w.stop)
	w.ports.Wait()
	return errors.Join(w.errs...)
}
