package wire

import "math/bits"

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
// Where the number stands says a pattern, see lineDecoder.
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
