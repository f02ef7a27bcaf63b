// Package wire turns the bytes instruments send into values. It is pure: no
// ports, no clock. One file describes one format, like a datasheet note.
//
// A format has two halves: a Framer cuts the bytes into frames and stamps
// them, a Decoder reads one frame. New makes both from an instrument's
// settings.
package wire

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// Unit is the unit of a value.
type Unit uint8

// The units, as they are kept with every reading: never renumber them.
const (
	UnitNone   Unit = iota
	UnitMM          // millimetres
	UnitInch        // inches; 1 in = 25.4 mm exactly
	UnitCount       // encoder counts
	UnitDegree      // degrees of crank
)

// MMPerInch is exact (international inch, 1959).
const MMPerInch = 25.4

// Value is what one frame says: Ticks / 10^Decimals, in Unit.
type Value struct {
	Ticks    int64 // all digits shown as one integer, sign included
	Decimals int8
	Unit     Unit
	TimeUS   int64 // the instrument's own clock, where HasTime
	HasTime  bool
}

// Why a frame gives no value. Test with errors.Is.
var (
	ErrGarbage    = errors.New("no such frame")
	ErrInstrument = errors.New("the instrument reports an error")
	ErrRange      = errors.New("a number no such instrument can show")
	ErrFormat     = errors.New("format not supported")
)

// Why a stretch of bytes is no frame.
type Cut uint8

const (
	CutNone    Cut = iota
	CutPartial     // half a frame: the first after opening, or one that stopped in its middle
	CutTooLong     // no end for MaxFrame bytes
	CutNoise       // a NUL in it: a parity error or a break ate a character
)

// MaxFrame is how long a frame may be, in bytes.
const MaxFrame = 256

// Frame is one frame, or a stretch of bytes that is none.
type Frame struct {
	Bytes []byte // valid until the next call; without the frame's end
	AtNS  int64  // when the Read returned that brought its first byte
	Burst int    // how many frames began before it in that Read
	Cut   Cut
}

// Framer cuts bytes into frames. It belongs to one goroutine.
type Framer interface {
	// Push takes what one Read brought at atNS and hands on every frame that
	// it ends.
	Push(chunk []byte, atNS int64, emit func(Frame))
	// Silence says that nothing came for a while, long enough that no frame
	// can still be under way.
	Silence(emit func(Frame))
	// Reset forgets everything, as after opening the port again.
	Reset()
}

// Decoder reads one frame. It keeps nothing and is safe for concurrent use.
type Decoder interface {
	// Decode returns the value; the error is ErrGarbage, ErrInstrument or ErrRange.
	Decode(frame []byte) (Value, error)
}

// Settings are what the bench file says of an instrument's talk.
type Settings struct {
	Format   string // one of Formats
	Serial   Serial
	Encoder  bool   // it counts or tells degrees; else it tells a length
	Pattern  string // line
	Unit     Unit   // line: of a length whose line names none
	Encoding string // bcd-frame
	Modbus   Modbus // modbus-rtu
}

// The formats.
const (
	FormatLine   = "line"
	FormatBCD    = "bcd-frame"
	FormatModbus = "modbus-rtu"
)

// Formats lists them.
func Formats() []string { return []string{FormatLine, FormatBCD, FormatModbus} }

// New makes the two halves of a format. The error says what is wrong with the
// settings and what to do; it wraps ErrFormat for a format that is not there.
func New(s Settings) (f Framer, d Decoder, err error) {
	switch {
	case s.Format == FormatLine:
		f = NewLineFramer(s.Serial)
		d, err = NewLineDecoder(s.Pattern, s.Encoder, s.Unit)
	case s.Format == FormatBCD && s.Encoding == EncodingPacked:
		f = NewPackedFramer()
		d, err = NewBCDDecoder(s.Encoding, s.Encoder)
	case s.Format == FormatBCD:
		f = NewLineFramer(s.Serial)
		d, err = NewBCDDecoder(s.Encoding, s.Encoder)
	case s.Format == FormatModbus:
		f = NewModbusFramer(s.Modbus)
		d, err = NewModbusDecoder(s.Modbus, s.Encoder)
	default:
		err = fmt.Errorf("%w: %q; use one of %s", ErrFormat, s.Format, strings.Join(Formats(), ", "))
	}
	return f, d, err
}

// Request is what asks an instrument of these settings for a reading, nil
// where the format has no question of its own.
func Request(s Settings) []byte {
	if s.Format == FormatModbus {
		return s.Modbus.Request()
	}
	return nil
}

// Largest numbers taken for a reading.
const (
	maxMM     = 1000.0
	maxTicks  = 999_999_999_999_999
	maxDigits = 15
	maxDegree = 360e6
)

// plausible refuses what no such instrument can show.
func plausible(v Value) error {
	switch {
	case v.Unit == UnitDegree && math.Abs(v.Number()) > maxDegree,
		v.Unit == UnitCount && math.Abs(v.Number()) > maxTicks,
		(v.Unit == UnitMM || v.Unit == UnitInch) && math.Abs(v.MM()) > maxMM:
		return ErrRange
	}
	return nil
}

// MM is a length in millimetres.
func (v Value) MM() float64 {
	mm := float64(v.Ticks) / pow10(v.Decimals)
	if v.Unit == UnitInch {
		return mm * MMPerInch
	}
	return mm
}

// Number is Ticks / 10^Decimals, in the value's own unit.
func (v Value) Number() float64 { return float64(v.Ticks) / pow10(v.Decimals) }

func pow10(n int8) float64 {
	p := 1.0
	for range n {
		p *= 10
	}
	return p
}
