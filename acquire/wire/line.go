package wire

import (
	"errors"
	"fmt"
	"math/bits"
	"regexp"
	"strings"
)

// Format "line": one reading a line, in ASCII.
//
//	end of line   CR, LF or CR LF; empty lines mean nothing
//	characters    7 or 8 bits; with 7 the eighth bit may be the parity bit: it
//	              is checked and dropped
//	number        [sign] digits [point or comma digits], blanks allowed inside
//	unit          "mm" or "in" (also "inch" and the inch mark); what a line
//	              says wins over the setting
//	longest line  256 bytes
//
// The pattern (a regular expression, RE2 syntax) says where the number stands.
// Its named groups:
//
//	value    a length, of an indicator
//	unit     its unit, if the line names one
//	count    an encoder's count, a whole number
//	degrees  an encoder's angle, if it tells that instead
//	time_us  the instrument's own clock, in microseconds
//	status   what the instrument says of itself
//
// Known faults. A parity error or a break reaches us as NUL: the digit that it
// was is lost, so a line with one is dropped whole (CutNoise), even where the
// NUL stands right before its first character: that may have been the sign.
// Most ports check the parity of 7-bit characters themselves and hand the
// eighth bit on as 0; some adapters, and every pseudo-terminal, leave it on.
// The first line that holds such bits, all of them right, tells; from then on
// a wrong one drops its line (CutNoise), even where it stands on a line end
// before the first character: that may have been the sign likewise. The
// first line after opening may lack its head, so it is dropped too (CutPartial),
// unless the line had been silent before it. A line that stops in its middle
// is dropped after the silence that follows, so that its rest never joins the
// next. Instruments send errors in the same dress as readings, "ERR3" or a
// channel before it: counted, never a reading.
//
// Example, as configured by default: "-  0,125\r" is −0.125.
type lineFramer struct {
	mask    byte
	parity  Parity // of 7-bit characters whose parity bit may come along
	carried bool   // it does
	high    bool   // an eighth bit was set since the last line's end
	wrong   int    // characters since then whose parity would be wrong
	buf     []byte
	atNS    int64
	burst   int
	noise   int  // NULs since the last line end
	tooLong bool // dropping until the line ends
	synced  bool // the line before was ended, or silence came
}

// NewLineFramer cuts lines out of characters of the given shape.
func NewLineFramer(s Serial) Framer {
	f := &lineFramer{mask: s.mask(), parity: ParityNone, buf: make([]byte, 0, MaxFrame)}
	if s.DataBits == 7 {
		f.parity = s.Parity
	}
	return f
}

func (f *lineFramer) Push(chunk []byte, atNS int64, emit func(Frame)) {
	begun := 0
	for _, b := range chunk {
		f.check(b)
		switch b &= f.mask; b {
		case '\r', '\n':
			f.end(emit)
		case 0:
			if f.noise++; len(f.buf) == 0 {
				f.atNS, f.burst = atNS, begun
			}
			if f.noise == MaxFrame { // nothing but noise: tell it now and then
				f.cut(CutNoise, emit)
				f.noise = 1
			}
		default:
			if len(f.buf) == MaxFrame {
				f.cut(CutTooLong, emit)
				f.tooLong = true
			}
			if len(f.buf) == 0 {
				f.atNS, f.burst = atNS, begun
				begun++
			}
			f.buf = append(f.buf, b)
		}
	}
}

// check looks at the parity bit of a character, in case there is one.
func (f *lineFramer) check(b byte) {
	if f.parity == ParityNone {
		return
	}
	f.high = f.high || b >= 0x80
	if odd := bits.OnesCount8(b)%2 == 1; odd != (f.parity == ParityOdd) {
		f.wrong++
	}
}

// spoilt tells whether a character since the last line's end was garbled.
func (f *lineFramer) spoilt() bool {
	return f.noise > 0 || f.wrong > 0 && (f.high || f.carried)
}

// end is a line end: hand the line on, or say why not.
func (f *lineFramer) end(emit func(Frame)) {
	switch {
	case f.tooLong: // told already
	case len(f.buf) == 0 && f.noise == 0:
		return // an empty line, or the LF of a CR LF
	case f.spoilt():
		f.cut(CutNoise, emit)
	case !f.synced:
		f.cut(CutPartial, emit)
	default:
		f.cut(CutNone, emit)
	}
	f.carried = f.carried || f.high && f.wrong == 0
	f.fresh(true)
}

// fresh begins a line.
func (f *lineFramer) fresh(synced bool) {
	f.buf, f.noise, f.tooLong, f.synced, f.high, f.wrong = f.buf[:0], 0, false, synced, false, 0
}

func (f *lineFramer) cut(why Cut, emit func(Frame)) {
	emit(Frame{Bytes: f.buf, AtNS: f.atNS, Burst: f.burst, Cut: why})
	f.buf = f.buf[:0]
}

func (f *lineFramer) Silence(emit func(Frame)) {
	switch {
	case f.tooLong:
	case f.noise > 0:
		f.cut(CutNoise, emit)
	case len(f.buf) > 0:
		f.cut(CutPartial, emit)
	}
	f.fresh(true)
}

func (f *lineFramer) Reset() {
	f.fresh(false)
	f.carried = false
}

type lineDecoder struct {
	pattern *regexp.Regexp
	encoder bool
	unit    Unit
	// places of the groups' ends in a match, -1 where the pattern has none
	value, unitAt, count, degrees, timeUS, status int
}

// NewLineDecoder compiles a pattern. The error says what is wrong with it and
// what to do.
func NewLineDecoder(pattern string, encoder bool, unit Unit) (Decoder, error) {
	if pattern == "" {
		return nil, errors.New("pattern is missing: write a regular expression with the named group " + groupFor(encoder))
	}
	re, err := regexp.Compile(pattern)
	if err != nil {
		return nil, fmt.Errorf("pattern is no regular expression: %w", err)
	}
	for _, name := range re.SubexpNames() {
		switch name {
		case "", "value", "unit", "count", "degrees", "time_us", "status":
		default:
			return nil, fmt.Errorf("pattern has an unknown group %q: use value, unit, count, degrees, time_us, status", name)
		}
	}
	d := &lineDecoder{pattern: re, encoder: encoder, unit: unit,
		value: re.SubexpIndex("value"), unitAt: re.SubexpIndex("unit"), count: re.SubexpIndex("count"),
		degrees: re.SubexpIndex("degrees"), timeUS: re.SubexpIndex("time_us"), status: re.SubexpIndex("status")}
	missing := d.value < 0
	if encoder {
		missing = d.count < 0 && d.degrees < 0
	}
	if missing {
		return nil, errors.New("pattern lacks the named group " + groupFor(encoder))
	}
	if d.count >= 0 && d.degrees >= 0 && encoder {
		return nil, errors.New("pattern has both count and degrees: keep the one to be used")
	}
	return d, nil
}

func groupFor(encoder bool) string {
	if encoder {
		return "(?P<count>…) or (?P<degrees>…)"
	}
	return "(?P<value>…)"
}

// errorLine is an instrument's own error: at most three characters of channel
// and status, then "ERR", "ERROR" or E and a number, and nothing that could be
// a reading.
var errorLine = regexp.MustCompile(`^\s*(?:\w{1,3}[\s+-]+)?\W{0,2}(?i:\w{0,3}?err(?:or)?|e)[\s:.-]*\d{0,4}\s*$`)

func (d *lineDecoder) Decode(line []byte) (Value, error) {
	m := d.pattern.FindSubmatchIndex(line)
	if m == nil {
		if errorLine.Match(line) {
			return Value{}, ErrInstrument
		}
		return Value{}, ErrGarbage
	}
	text := d.number(line, m)
	v, err := number(text)
	if err != nil {
		if text == "" && (group(line, m, d.status) != "" || errorLine.Match(line)) {
			return Value{}, ErrInstrument // a status and no number
		}
		return Value{}, err
	}
	if v.Unit, err = d.unitOf(line, m); err != nil {
		return Value{}, err
	}
	if v.Unit == UnitCount && v.Decimals != 0 {
		return Value{}, fmt.Errorf("%w: a fraction of a count", ErrGarbage)
	}
	if text := group(line, m, d.timeUS); text != "" {
		t, err := number(text)
		if err != nil || t.Decimals != 0 {
			return Value{}, ErrGarbage
		}
		v.TimeUS, v.HasTime = t.Ticks, true
	}
	return v, plausible(v)
}

// group is what a group of the pattern matched, "" for none.
func group(line []byte, m []int, i int) string {
	if i < 0 || m[2*i] < 0 {
		return ""
	}
	return string(line[m[2*i]:m[2*i+1]])
}

// number is the text of the number that is wanted.
func (d *lineDecoder) number(line []byte, m []int) string {
	switch {
	case d.encoder && d.count >= 0:
		return group(line, m, d.count)
	case d.encoder:
		return group(line, m, d.degrees)
	}
	return group(line, m, d.value)
}

// unitOf is the number's unit: what the line says wins.
func (d *lineDecoder) unitOf(line []byte, m []int) (Unit, error) {
	switch {
	case d.encoder && d.count >= 0:
		return UnitCount, nil
	case d.encoder:
		return UnitDegree, nil
	}
	text := strings.TrimSpace(group(line, m, d.unitAt))
	if text == "" {
		return d.unit, nil
	}
	if u := unitOf(text); u != UnitNone {
		return u, nil
	}
	return UnitNone, ErrGarbage
}

func unitOf(text string) Unit {
	switch strings.ToLower(text) {
	case "mm":
		return UnitMM
	case "in", "inch", `"`:
		return UnitInch
	}
	return UnitNone
}

// number reads [sign] digits [point or comma digits], blanks anywhere.
func number(s string) (v Value, err error) {
	negative, signed, digits, point := false, false, 0, false
	for _, c := range []byte(s) {
		switch {
		case c == ' ' || c == '\t':
		case (c == '+' || c == '-') && !signed && digits == 0 && !point:
			signed, negative = true, c == '-'
		case (c == '.' || c == ',') && !point:
			point = true
		case c >= '0' && c <= '9':
			if v.Ticks = v.Ticks*10 + int64(c-'0'); v.Ticks > maxTicks {
				return Value{}, ErrRange
			}
			if digits++; point {
				if v.Decimals++; v.Decimals > maxDigits {
					return Value{}, ErrRange
				}
			}
		default:
			return Value{}, ErrGarbage
		}
	}
	if digits == 0 {
		return Value{}, ErrGarbage
	}
	if negative {
		v.Ticks = -v.Ticks
	}
	return v, nil
}
