package acquire

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"crownmark/acquire/wire"
)

// serialSource is a Source on a serial port.
type serialSource struct {
	cfg    []InstrumentConfig // at least one, all of one port
	now    func() int64
	open   func(path string, baud int, shape wire.Serial, readTimeout time.Duration) (rawPort, error)
	node   func(path string) string
	port   rawPort // nil while closed
	framer wire.Framer
	decode []wire.Decoder
	pulse  []func(line []byte) bool // by instrument: did its index pulse pass; nil: it tells none
	buf    [4096]byte

	timeout time.Duration
	quiet   time.Duration // without a byte so far
	poll    poll
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
	close() error
}

// poll asks an instrument that speaks only when asked.
type poll struct {
	request []byte
	everyNS int64
	askedNS int64
	waiting bool
}

const (
	readTimeout = 150 * time.Millisecond
	// lineGap is a pause that no instrument makes inside a line.
	lineGap = 200 * time.Millisecond
	// noAnswerNS is how long a polled instrument may take before it is asked again.
	noAnswerNS = 500e6
	// An instrument that says more than a line each fastNS is read in lumps of
	// lumpTime: waking for each line would cost more than all else together.
	// Burst tells how a line lay in its lump.
	fastNS   = 1.5e6
	lumpTime = 2 * time.Millisecond
)

// newSerialSource makes a source for the instruments of one port; their
// configurations are checked.
func newSerialSource(cfg []InstrumentConfig, now func() int64) (*serialSource, error) {
	s := &serialSource{cfg: cfg, now: now, node: nodeOf, timeout: readTimeout}
	s.open = func(path string, baud int, shape wire.Serial, readTimeout time.Duration) (rawPort, error) {
		return openPort(defaultPortSys(), path, baud, shape, readTimeout)
	}
	s.onFrame = s.frame
	for _, c := range cfg {
		framer, decoder, err := newWire(c)
		if err != nil {
			return nil, err
		}
		s.framer = framer
		s.decode, s.pulse = append(s.decode, decoder), append(s.pulse, indexPulse(c))
		if c.Request != "" {
			s.poll = poll{request: []byte(c.Request), everyNS: int64(c.IntervalMS) * 1e6}
			s.timeout = min(readTimeout, max(5*time.Millisecond, time.Duration(c.IntervalMS)*time.Millisecond))
		}
	}
	return s, nil
}

func newWire(c InstrumentConfig) (wire.Framer, wire.Decoder, error) {
	shape, err := wire.ParseSerial(c.Frame)
	if err != nil {
		return nil, nil, err
	}
	unit := UnitMM
	if c.Unit == "in" {
		unit = UnitInch
	}
	return wire.New(wire.Settings{Format: c.Format, Serial: shape, Pattern: c.Pattern, Encoder: c.Kind == KindEncoder, Unit: unit})
}

func (s *serialSource) Open(context.Context) error {
	c := s.cfg[0]
	shape, err := wire.ParseSerial(c.Frame)
	if err != nil {
		return err
	}
	p, err := s.open(c.Port, c.Baud, shape, s.timeout)
	if err != nil {
		return err
	}
	s.port, s.quiet = p, 0
	s.poll.askedNS, s.poll.waiting = 0, false
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
	if err := s.ask(); err != nil {
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
	s.heard = Heard{Bytes: n}
	if cap(s.readings)-len(s.readings) < 32 {
		s.readings = make([]Reading, 0, 256)
	}
	start := len(s.readings)
	if n > 0 {
		s.quiet = 0
		s.framer.Push(s.buf[:n], at, s.onFrame)
	} else if s.quiet += s.timeout; s.quiet >= lineGap && s.quiet < lineGap+s.timeout {
		s.framer.Silence(s.onFrame)
	}
	s.heard.Readings = s.readings[start:len(s.readings):len(s.readings)]
	s.pace(at, (len(s.readings)-start)/len(s.decode))
	return s.heard, nil
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
		s.fault(-1, reason, f)
		return
	}
	s.poll.waiting = false
	used, verdict, culprit := false, error(nil), -1
	var raw []byte
	for i, d := range s.decode {
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
	switch {
	case used:
	case errors.Is(verdict, wire.ErrRange):
		s.fault(culprit, UnusedRange, f)
	case errors.Is(verdict, wire.ErrInstrument):
		s.fault(-1, UnusedError, f)
	default:
		s.fault(-1, UnusedGarbage, f)
	}
}

func (s *serialSource) fault(instrument int, why UnusedReason, f wire.Frame) {
	s.heard.Faults = append(s.heard.Faults, Fault{Instrument: instrument, Reason: why, AtNS: f.AtNS, N: 1, Raw: bytes.Clone(f.Bytes)})
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

// ask sends the request when its time has come: not before the line is known
// to be free, and not again while an answer may be on its way.
func (s *serialSource) ask() error {
	p := &s.poll
	now := s.now()
	if len(p.request) == 0 || p.askedNS == 0 && s.quiet < lineGap ||
		p.askedNS != 0 && now-p.askedNS < p.everyNS || p.waiting && now-p.askedNS < noAnswerNS {
		return nil
	}
	p.askedNS, p.waiting = now, true
	return s.port.write(p.request)
}

// Node is the device number and birth of what the path leads to.
func (s *serialSource) Node() string { return s.node(s.cfg[0].Port) }

func nodeOf(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return info.Name()
	}
	return strconv.FormatUint(st.Rdev, 10) + "/" + strconv.FormatUint(st.Ino, 10) + "/" +
		strconv.FormatInt(st.Ctim.Sec, 10) + "." + strconv.FormatInt(st.Ctim.Nsec, 10)
}

// Identity is the stable name that the system gives the device, else its
// maker's and product's text.
func (s *serialSource) Identity() string {
	return identityOf(s.cfg[0].Port, "/dev/serial/by-id", "/sys/class/tty")
}

func identityOf(path, byID, sysTTY string) string {
	node, err := filepath.EvalSymlinks(path)
	if err != nil {
		return ""
	}
	if filepath.Dir(path) == byID {
		return filepath.Base(path)
	}
	links, _ := os.ReadDir(byID)
	for _, l := range links {
		if to, err := filepath.EvalSymlinks(filepath.Join(byID, l.Name())); err == nil && to == node {
			return l.Name()
		}
	}
	return usbOf(filepath.Join(sysTTY, filepath.Base(node))).text()
}
