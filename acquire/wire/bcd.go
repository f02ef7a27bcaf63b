package wire

import (
	"encoding/hex"
	"fmt"
)

// Format "bcd-frame": thirteen nibbles a reading, from the data socket of
// digital gauges.
//
//	d1 … d4    F F F F
//	d5         sign: 0 plus, 8 minus
//	d6 … d11   six decimal digits, most significant first
//	d12        how many of them stand after the point, 0 … 5
//	d13        unit: 0 millimetres, 1 inches
//
// On the gauge's own wire each nibble goes least significant bit first. What
// reaches a serial port comes from a bridge, in one of two encodings:
//
//	hex       13 hexadecimal digits and a line end, d1 first
//	packed    7 bytes, d1 in the first byte's high half, last half 0
//
// Packed frames follow each other without an end. F stands nowhere but in the
// head, so FF FF always begins a frame.
//
// Known faults. There is no check sum: a wrong digit that still is a digit
// cannot be seen here. A byte lost within a packed frame shows by the next
// head's coming too early; both halves are dropped. A parity error, which
// reaches us as NUL, looks like two digits 0: use 8N1 with packed bytes. What
// the frame says of the unit wins over the setting. Some gauges send −0.
//
// Example: FFFF 8 012345 3 0 is −12.345 mm; packed FF FF 80 12 34 53 00.
const bcdNibbles = 13

// The encodings of format "bcd-frame".
const (
	EncodingHex    = "hex"
	EncodingPacked = "packed"
)

const packedBytes = 7

type bcdDecoder struct {
	packed, encoder bool
}

// NewBCDDecoder reads frames of one encoding, hex or packed. An encoder's
// number is a count.
func NewBCDDecoder(encoding string, encoder bool) (Decoder, error) {
	if encoding != EncodingHex && encoding != EncodingPacked {
		return nil, fmt.Errorf("encoding is %q: write \"hex\" for 13 hexadecimal digits a line, \"packed\" for 7 bytes", encoding)
	}
	return bcdDecoder{packed: encoding == EncodingPacked, encoder: encoder}, nil
}

func (d bcdDecoder) Decode(frame []byte) (Value, error) {
	nibbles, err := d.nibbles(frame)
	if err != nil {
		return Value{}, err
	}
	v, err := bcdValue(nibbles)
	switch {
	case err != nil:
		return Value{}, err
	case d.encoder && v.Unit != UnitMM:
		return Value{}, fmt.Errorf("%w: a count in inches", ErrGarbage)
	case d.encoder:
		v.Unit = UnitCount
	}
	return v, plausible(v)
}

// nibbles takes a frame apart, d1 first.
func (d bcdDecoder) nibbles(frame []byte) (n [bcdNibbles]byte, err error) {
	text := frame
	if d.packed {
		if text = hex.AppendEncode(nil, frame); len(frame) != packedBytes || text[bcdNibbles] != '0' {
			return n, fmt.Errorf("%w: it is not 7 bytes that end in a half of 0", ErrGarbage)
		}
		text = text[:bcdNibbles]
	} else if errorLine.Match(frame) {
		return n, ErrInstrument
	}
	if len(text) != bcdNibbles {
		return n, fmt.Errorf("%w: %d hexadecimal digits are asked for, it has %d characters", ErrGarbage, bcdNibbles, len(text))
	}
	for i, c := range text {
		switch {
		case c >= '0' && c <= '9':
			n[i] = c - '0'
		case c|0x20 >= 'a' && c|0x20 <= 'f':
			n[i] = c | 0x20 - 'a' + 10
		default:
			return n, fmt.Errorf("%w: %q is no hexadecimal digit", ErrGarbage, c)
		}
	}
	return n, nil
}

func bcdValue(n [bcdNibbles]byte) (v Value, err error) {
	for i, d := range n[:4] {
		if d != 0xF {
			return v, fmt.Errorf("%w: nibble %d is %X, a frame begins with FFFF", ErrGarbage, i+1, d)
		}
	}
	for i, d := range n[5:11] {
		if d > 9 {
			return v, fmt.Errorf("%w: nibble %d is %X, no decimal digit", ErrGarbage, i+6, d)
		}
		v.Ticks = 10*v.Ticks + int64(d)
	}
	sign, decimals, unit := n[4], n[11], n[12]
	switch {
	case sign != 0 && sign != 8:
		return Value{}, fmt.Errorf("%w: its sign is %X, neither 0 nor 8", ErrGarbage, sign)
	case decimals > 5:
		return Value{}, fmt.Errorf("%w: %X decimals of six digits", ErrGarbage, decimals)
	case unit > 1:
		return Value{}, fmt.Errorf("%w: its unit is %X, neither 0 nor 1", ErrGarbage, unit)
	}
	if v.Decimals, v.Unit = int8(decimals), UnitMM; unit == 1 {
		v.Unit = UnitInch
	}
	if sign == 8 {
		v.Ticks = -v.Ticks
	}
	return v, nil
}

// packedFramer finds frames by their head.
type packedFramer struct {
	buf    []byte // the frame so far; before its head is whole, what may belong to it
	atNS   int64
	burst  int
	second int64  // when the second byte of its head came
	stray  []byte // bytes outside frames since the last frame
	heard  int64  // when the first of them came
}

// NewPackedFramer cuts frames of seven packed bytes out of a stream.
func NewPackedFramer() Framer {
	return &packedFramer{buf: make([]byte, 0, packedBytes), stray: make([]byte, 0, MaxFrame)}
}

func (f *packedFramer) Push(chunk []byte, atNS int64, emit func(Frame)) {
	begun := 0
	for _, b := range chunk {
		switch {
		case b != 0xFF:
		case len(f.buf) == 1:
			f.second = atNS
		case len(f.buf) == 2: // three in a row: the first was noise
			f.lose(b, f.atNS, emit)
			f.buf, f.atNS, f.second = f.buf[:1], f.second, atNS
		default: // a head inside a frame, which lost bytes
			f.drop(emit)
		}
		if len(f.buf) < 2 && b != 0xFF {
			f.drop(emit)
			f.lose(b, atNS, emit)
			continue
		}
		if len(f.buf) == 0 {
			f.atNS, f.burst = atNS, begun
			begun++
		}
		if f.buf = append(f.buf, b); len(f.buf) == packedBytes {
			f.tell(emit)
			emit(Frame{Bytes: f.buf, AtNS: f.atNS, Burst: f.burst})
			f.buf = f.buf[:0]
		}
	}
}

// drop gives up the frame that was begun.
func (f *packedFramer) drop(emit func(Frame)) {
	for _, b := range f.buf {
		f.lose(b, f.atNS, emit)
	}
	f.buf = f.buf[:0]
}

func (f *packedFramer) lose(b byte, atNS int64, emit func(Frame)) {
	if len(f.stray) == 0 {
		f.heard = atNS
	}
	if f.stray = append(f.stray, b); len(f.stray) == MaxFrame {
		emit(Frame{Bytes: f.stray, AtNS: f.heard, Cut: CutTooLong})
		f.stray = f.stray[:0]
	}
}

// tell hands on what was no frame.
func (f *packedFramer) tell(emit func(Frame)) {
	if len(f.stray) > 0 {
		emit(Frame{Bytes: f.stray, AtNS: f.heard, Cut: CutPartial})
		f.stray = f.stray[:0]
	}
}

func (f *packedFramer) Silence(emit func(Frame)) {
	f.drop(emit)
	f.tell(emit)
}

func (f *packedFramer) Reset() { f.buf, f.stray = f.buf[:0], f.stray[:0] }
