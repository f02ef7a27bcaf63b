package acquire

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"time"

	"crownmark/acquire/wire"
)

// serialSource is a Source on a serial port.
type serialSource struct {
	cfg    []InstrumentConfig // at least one, all of one port
	now    func() int64
	open   func(path string, baud int, shape wire.Serial, readTimeout time.Duration) (rawPort, error)
	node   func(path string) string
	port   rawPort     // nil while closed
	framer wire.Framer // of what is being heard
	decode []wire.Decoder
	pulse  []func(line []byte) bool // by instrument: did its index pulse pass; nil: it tells none
	buf    [4096]byte

	quiet   time.Duration // without a byte so far
	waits   time.Duration // as the port was told
	asking  asking
	usualNS float64 // between lines, a running mean
	lastNS  int64   // when the last lines came

	heard    Heard
	readings []Reading // room for more; what is in use belongs to callers
	raw      []byte    // likewise
	onFrame  func(wire.Frame)
}

// rawPort is bytes in and out, as *port gives them.
type rawPort interface {
	read(b []byte) (int, error)
	write(b []byte) error
	// patience is how long reads wait from now on.
	patience(d time.Duration) error
	close() error
}

const (
	readTimeout = 150 * time.Millisecond
	// lineGap is a pause that no instrument makes inside a line.
	lineGap = 200 * time.Millisecond
	// An instrument that says more than a line each fastNS is read in lumps of
	// lumpTime: waking for each line would cost more than all else together.
	// Burst tells how a line lay in its lump.
	fastNS   = 1.5e6
	lumpTime = 2 * time.Millisecond
)

// newSerialSource makes a source for the instruments of one port; their
// configurations are checked.
func newSerialSource(cfg []InstrumentConfig, now func() int64) (*serialSource, error) {
	s := &serialSource{cfg: cfg, now: now, node: nodeOf}
	s.open = func(path string, baud int, shape wire.Serial, readTimeout time.Duration) (rawPort, error) {
		return openPort(defaultPortSys(), path, baud, shape, readTimeout)
	}
	s.onFrame = s.frame
	for i, c := range cfg {
		settings, err := c.wire()
		if err != nil {
			return nil, err
		}
		framer, decoder, err := wire.New(settings)
		if err != nil {
			return nil, err
		}
		if s.framer == nil {
			s.framer = framer
		}
		s.decode, s.pulse = append(s.decode, decoder), append(s.pulse, c.IndexPulse())
		s.asking.add(i, c, wire.Request(settings), framer)
	}
	s.asking.share(len(cfg), s.framer)
	return s, nil
}

func (s *serialSource) Open(context.Context) error {
	c := s.cfg[0]
	shape, err := wire.ParseSerial(c.Frame)
	if err != nil {
		return err
	}
	p, err := s.open(c.Port, c.Baud, shape, readTimeout)
	if err != nil {
		return err
	}
	s.port, s.quiet, s.waits = p, 0, readTimeout
	s.asking.restart()
	s.framer.Reset()
	return nil
}

func (s *serialSource) Close() error {
	if s.port == nil {
		return nil
	}
	err := s.port.close()
	s.port = nil
	return err
}

func (s *serialSource) Read() (Heard, error) {
	if s.port == nil {
		return Heard{}, errPortClosed
	}
	s.heard = Heard{}
	if cap(s.readings)-len(s.readings) < 32 {
		s.readings = make([]Reading, 0, 256)
	}
	start := len(s.readings)
	wait, err := s.ask()
	if err != nil {
		return Heard{}, err
	}
	if s.usualNS > 0 && s.usualNS < fastNS {
		time.Sleep(lumpTime)
	}
	n, err := s.port.read(s.buf[:])
	at := s.now()
	if err != nil {
		return Heard{}, err
	}
	s.heard.Bytes = n
	if n > 0 {
		s.quiet = 0
		s.framer.Push(s.buf[:n], at, s.onFrame)
	} else if s.quiet += wait; s.quiet >= lineGap && s.quiet-wait < lineGap {
		s.framer.Silence(s.onFrame)
	}
	s.heard.Readings = s.readings[start:len(s.readings):len(s.readings)]
	s.pace(at, (len(s.readings)-start)/len(s.decode))
	return s.heard, nil
}

// ask puts the question that is due, and says how long to listen.
func (s *serialSource) ask() (wait time.Duration, err error) {
	now := s.now()
	if q := s.asking.due(now, s.quiet); q != nil {
		if q.framer != s.framer || q.answers {
			s.framer.Silence(s.onFrame)
			q.framer.Silence(s.onFrame)
			s.framer = q.framer
		}
		s.asking.asked(q, now)
		if err := s.port.write(q.request); err != nil {
			return 0, err
		}
	}
	if wait = s.asking.wait(now); wait != s.waits {
		s.waits = wait
		err = s.port.patience(wait)
	}
	return wait, err
}

// pace learns how fast the instrument speaks.
func (s *serialSource) pace(at int64, lines int) {
	if lines == 0 {
		return
	}
	if each := float64(at-s.lastNS) / float64(lines); s.lastNS == 0 || each > 20*fastNS {
		s.usualNS = 20 * fastNS
	} else {
		s.usualNS += (each - s.usualNS) * min(1, 0.05*float64(lines))
	}
	s.lastNS = at
}

// frame takes one frame from the framer: each instrument of the port may find
// its value in it.
func (s *serialSource) frame(f wire.Frame) {
	if f.Cut != wire.CutNone {
		reason := map[wire.Cut]UnusedReason{wire.CutPartial: UnusedPartial, wire.CutTooLong: UnusedTooLong, wire.CutNoise: UnusedNoise}[f.Cut]
		s.fault(-1, reason, f, nil)
		return
	}
	used, verdict, culprit := false, error(nil), -1
	var raw []byte
	for i, d := range s.decode {
		if !s.asking.concerns(i) {
			continue
		}
		v, err := d.Decode(f.Bytes)
		switch {
		case err == nil:
			if raw == nil {
				raw = s.keep(f.Bytes)
			}
			used = true
			s.readings = append(s.readings, Reading{Stream: int64(i), AtNS: f.AtNS, Burst: f.Burst,
				Ticks: v.Ticks, Decimals: v.Decimals, Unit: v.Unit, Raw: raw, Index: s.pulse[i] != nil && s.pulse[i](raw)})
		case errors.Is(err, wire.ErrRange):
			verdict, culprit = err, i
		case verdict == nil || errors.Is(err, wire.ErrInstrument):
			verdict = err
		}
	}
	if used || errors.Is(verdict, wire.ErrInstrument) {
		s.asking.answered(s.now())
	} else {
		s.asking.garbled(s.now())
	}
	if !used {
		s.unusable(culprit, verdict, f)
	}
}

func (s *serialSource) unusable(culprit int, verdict error, f wire.Frame) {
	switch {
	case errors.Is(verdict, wire.ErrRange):
		s.fault(culprit, UnusedRange, f, verdict)
	case errors.Is(verdict, wire.ErrInstrument):
		s.fault(-1, UnusedError, f, verdict)
	default:
		s.fault(-1, UnusedGarbage, f, verdict)
	}
}

// fault: of an answer that only some instruments wait for, these are told.
func (s *serialSource) fault(instrument int, why UnusedReason, f wire.Frame, cause error) {
	fault := Fault{Instrument: instrument, Reason: why, AtNS: f.AtNS, N: 1, Raw: bytes.Clone(f.Bytes)}
	if cause != nil {
		_, fault.Cause, _ = strings.Cut(cause.Error(), ": ")
	}
	if who := s.asking.only(); instrument < 0 && who >= 0 {
		fault.Instrument = who
	}
	s.heard.Faults = append(s.heard.Faults, fault)
}

// keep copies a line into room shared with its neighbours.
func (s *serialSource) keep(b []byte) []byte {
	if cap(s.raw)-len(s.raw) < len(b) {
		s.raw = make([]byte, 0, max(8192, len(b)))
	}
	start := len(s.raw)
	s.raw = append(s.raw, b...)
	return s.raw[start:len(s.raw):len(s.raw)]
}

// Node is the device number and birth of what the path leads to.
func (s *serialSource) Node() string { return s.node(s.cfg[0].Port) }

// Identity is the stable name that the system gives the device, else its
// maker's and product's text.
func (s *serialSource) Identity() string {
	return identityOf(s.cfg[0].Port, "/dev/serial/by-id", "/sys/class/tty")
}
