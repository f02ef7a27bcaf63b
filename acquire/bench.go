package acquire

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"
)

// What a request to the bench can be refused for. Test with errors.Is; the
// text around them says what and what to do.
var (
	ErrNoMotion         = errors.New("too little motion")
	ErrNotLive          = errors.New("not live")
	ErrUnknownIndicator = errors.New("unknown indicator")
	ErrNoSelection      = errors.New("no job selected")
	ErrWrongJob         = errors.New("another job is selected")
	ErrStopped          = errors.New("the bench has stopped: start it again")
	// ErrRefused is for a Recorder: what it wraps can never be kept as it is.
	// The bench tells whoever asked, gives it up and goes on.
	ErrRefused = errors.New("refused")
)

// Options are a bench's surroundings. The zero value is usable.
type Options struct {
	// OnEvent is told what happens, from the bench's own goroutine; it must not block.
	OnEvent func(Event)
	Logger  *slog.Logger
	// Now is the session's clock: monotonic nanoseconds since its start.
	Now func() int64
	// Open makes the source of the instruments that share one port. nil: the serial port.
	Open func([]InstrumentConfig) Source
}

// Bench is the instruments on one engine: it keeps their ports open, follows
// angle and heights, finds sweeps and hands everything to the Recorder.
//
// Every port has a goroutine of its own, which reads, stamps and decodes. One
// goroutine, in Run, owns all state. A third hands batches to the Recorder, so
// that a slow disk stalls neither.
type Bench struct {
	cfg     Config
	rec     Recorder
	o       Options
	resume  Resume
	tallies []*tally // encoder first, then the indicators
	ended   []atomic.Int64
	ports   []*benchPort

	news     chan portNews
	requests chan *request
	queue    *queue
	snap     atomic.Pointer[Snapshot]
	running  atomic.Bool
	stopped  chan struct{}
}

// NewBench makes a bench from a checked configuration. Nothing is opened
// before Run.
func NewBench(cfg Config, rec Recorder, res Resume, o Options) (*Bench, error) {
	b := &Bench{cfg: cfg, rec: rec, o: o, resume: res, ended: make([]atomic.Int64, len(Causes())),
		news: make(chan portNews, 1024), requests: make(chan *request), stopped: make(chan struct{})}
	b.setDefaults()
	if o.Open == nil {
		if found := CheckConfig(cfg); len(found) > 0 {
			errs := make([]error, len(found))
			for i, p := range found {
				errs[i] = p
			}
			return nil, fmt.Errorf("this bench cannot be opened: %w", errors.Join(errs...))
		}
	}
	if len(cfg.Indicators) > maxIndicators {
		return nil, fmt.Errorf("there are %d indicators: a bench has 1 to %d", len(cfg.Indicators), maxIndicators)
	}
	if err := b.sharePorts(); err != nil {
		return nil, err
	}
	b.queue = newQueue()
	b.snap.Store(newLoop(b).snapshot())
	return b, nil
}

func (b *Bench) setDefaults() {
	b.cfg.Encoder.Kind = KindEncoder
	if b.cfg.Encoder.Name == "" {
		b.cfg.Encoder.Name = "encoder"
	}
	b.cfg.Indicators = append([]InstrumentConfig(nil), b.cfg.Indicators...)
	for i := range b.cfg.Indicators {
		b.cfg.Indicators[i].Kind = KindIndicator
	}
	if b.o.Logger == nil {
		b.o.Logger = slog.New(slog.DiscardHandler)
	}
	if b.o.OnEvent == nil {
		b.o.OnEvent = func(Event) {}
	}
	if b.o.Now == nil {
		start := time.Now()
		b.o.Now = func() int64 { return time.Since(start).Nanoseconds() }
	}
}

// all lists the encoder and then the indicators.
func (b *Bench) all() []InstrumentConfig {
	return append([]InstrumentConfig{b.cfg.Encoder}, b.cfg.Indicators...)
}

// sharePorts gives each port its source and the instruments that share it.
func (b *Bench) sharePorts() error {
	at := map[string]*benchPort{}
	var order []*benchPort
	configs := map[*benchPort][]InstrumentConfig{}
	for i, c := range b.all() {
		b.tallies = append(b.tallies, &tally{})
		if c.ByEye() {
			continue
		}
		p := at[c.Port]
		if p == nil || c.Port == "" {
			p = &benchPort{path: c.Port, index: len(order)}
			at[c.Port], order = p, append(order, p)
		}
		p.instruments = append(p.instruments, i)
		configs[p] = append(configs[p], c)
	}
	for _, p := range order {
		if b.o.Open != nil {
			p.source = b.o.Open(configs[p])
			continue
		}
		s, err := newSerialSource(configs[p], b.o.Now)
		if err != nil {
			return err
		}
		p.source = s
	}
	b.ports = order
	return nil
}

// Run opens the ports and keeps reopening them. It returns when ctx is done
// and the last batch is committed; the error then says what could not be kept.
// A bench runs once.
func (b *Bench) Run(ctx context.Context) error {
	if b.running.Swap(true) {
		return errors.New("this bench runs already")
	}
	var ports, writer sync.WaitGroup
	for _, p := range b.ports {
		ports.Go(func() { b.runPort(ctx, p) })
	}
	ports.Go(func() { <-ctx.Done() }) // a bench that people read has no ports
	go func() {
		ports.Wait()
		close(b.news) // runs end with this
	}()
	var lost error
	writer.Go(func() { lost = b.queue.write(ctx, b.rec) })
	l := newLoop(b)
	l.run()
	close(b.stopped)
	l.drain()
	writer.Wait()
	return lost
}

// Snapshot is the bench now; safe from any goroutine.
func (b *Bench) Snapshot() Snapshot {
	s := *b.snap.Load()
	s.NowNS = b.o.Now()
	s.StoredLedger = b.queue.ledger.Load()
	s.Encoder.age(s.NowNS)
	s.Indicators = append([]InstrumentState(nil), s.Indicators...)
	for i := range s.Indicators {
		s.Indicators[i].age(s.NowNS)
	}
	return s
}

func (i *InstrumentState) age(nowNS int64) {
	if i.AgeS = nil; i.LastNS != 0 {
		s := max(0, float64(nowNS-i.LastNS)/1e9)
		i.AgeS = &s
	}
}

// Stats are the running totals; safe from any goroutine.
func (b *Bench) Stats() Stats {
	s := Stats{Sweeps: map[string]int64{}, QueueLen: b.queue.readings()}
	now, snap := b.o.Now(), b.snap.Load()
	for i, c := range b.all() {
		one := b.tallies[i].stats(c, now)
		if one.Rhythm = snap.Encoder.Rhythm; i > 0 {
			one.Rhythm = snap.Indicators[i-1].Rhythm
		}
		s.Instruments = append(s.Instruments, one)
	}
	for i, cause := range Causes() {
		s.Sweeps[cause] = b.ended[i].Load()
	}
	return s
}

// tally counts what an instrument said; safe from any goroutine.
type tally struct {
	up                               atomic.Bool
	readings, bytes, reopens, lastNS atomic.Int64
	unused                           [8]atomic.Int64 // in the order of Unused()
}

func (t *tally) miss(why UnusedReason, n int64) {
	for i, u := range Unused() {
		if u == why {
			t.unused[i].Add(n)
		}
	}
}

func (t *tally) stats(c InstrumentConfig, nowNS int64) InstrumentStats {
	s := InstrumentStats{Kind: c.Kind, Name: c.Name, Up: t.up.Load(), Readings: t.readings.Load(), Bytes: t.bytes.Load(),
		Reopens: t.reopens.Load(), LastNS: t.lastNS.Load(), Unused: map[UnusedReason]int64{}}
	for i, u := range Unused() {
		s.Unused[u] = t.unused[i].Load()
	}
	if s.LastNS != 0 {
		age := max(0, float64(nowNS-s.LastNS)/1e9)
		s.AgeS = &age
	}
	return s
}

// settingsJSON is an instrument's or the detector's settings, to be kept.
func settingsJSON(c any) string {
	text, err := json.Marshal(c)
	if err != nil {
		return "{}" // a NaN in it; checked configurations have none
	}
	return string(text)
}
