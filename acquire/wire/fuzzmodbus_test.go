package wire

import (
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"strings"
	"testing"
)

// FuzzModbus puts an answer between other bytes and may spoil one of its
// own; random bytes alone would never have a right CRC.
func FuzzModbus(f *testing.F) {
	f.Add([]byte{}, []byte{0, 1, 0, 2}, []byte{}, byte(0), byte(0), uint16(0), byte(1))
	f.Add([]byte{0, 255}, []byte{0x41, 0x45, 0x85, 0x1f}, []byte{1, 3, 2}, byte(4), byte(3), uint16(0x0103), byte(2))
	f.Add([]byte{1, 0x83, 2, 0xC0, 0xF1}, []byte{255, 255, 255, 255}, []byte{}, byte(2), byte(4), uint16(0), byte(3))
	f.Add([]byte{1, 3, 4, 0, 0, 2}, []byte{127, 128, 0, 0}, []byte{}, byte(4), byte(1), uint16(0x4010), byte(4))
	scales := []string{"1", "0.001", "0.0005", "-0.00254", "25.4"}
	f.Fuzz(func(t *testing.T, before, data, after []byte, kind, scale byte, spoil uint16, piece byte) {
		text := scales[int(scale)%len(scales)]
		m := Modbus{Unit: 1, Function: 3 + kind>>7, Register: 0x0400, Type: ModbusTypes()[int(kind&0x3f)%5], LowFirst: kind&0x40 != 0}
		if _, err := fmt.Sscan(text, &m.Scale); err != nil {
			t.Fatal(err)
		}
		n := 2 * m.registers()
		answer := []byte(sealed(append([]byte{m.Unit, m.Function, byte(n)}, append(data, 0, 0, 0, 0)[:n]...)...))
		answer[int(spoil>>8)%len(answer)] ^= byte(spoil)
		b := append(append(append([]byte(nil), before...), answer...), after...)
		for _, encoder := range []bool{false, true} {
			if encoder {
				text = "1"
			}
			d := mustModbus(t, m, encoder)
			compare(t, b, heardOf(t, NewModbusFramer(m), d, b, int(piece)), slowAnswers(b, m, text, encoder))
		}
	})
}

// slowAnswers reads all bytes from the left.
func slowAnswers(b []byte, m Modbus, scale string, encoder bool) (out []slow) {
	question := string(m.Request())
	for text := string(b); text != ""; {
		head := string([]byte{m.Unit, m.Function, byte(2 * m.registers())})
		refusal := string([]byte{m.Unit, m.Function + 0x80})
		size := 0
		switch {
		case begins(text, head):
			size = 5 + 2*m.registers()
		case begins(text, refusal):
			size = 5
		}
		switch {
		case size > 0 && len(text) >= size && slowSum(text[:size]):
			if s, ok := slowRegisters(text[:size], m, scale, encoder); ok {
				out = append(out, s)
			}
			text = text[size:]
		case strings.HasPrefix(text, question):
			text = text[len(question):]
		case strings.HasPrefix(question, text), size > 0:
			return out // more would have to come, or all is lost until asked again
		default:
			text = text[1:]
		}
	}
	return out
}

// begins tells whether a text begins so, as far as it goes.
func begins(text, head string) bool {
	n := min(len(text), len(head))
	return text[:n] == head[:n]
}

// slowSum divides by the polynomial 8005 the other way round, bit by bit.
func slowSum(frame string) bool {
	reg := uint32(0xFFFF)
	for _, c := range []byte(frame[:len(frame)-2]) {
		for _, bit := range fmt.Sprintf("%08b", bits.Reverse8(c)) {
			top := reg >> 15 & 1
			reg = reg << 1 & 0xFFFF
			if top != uint32(bit-'0') {
				reg ^= 0x8005
			}
		}
	}
	sum := bits.Reverse16(uint16(reg))
	return frame[len(frame)-2] == byte(sum) && frame[len(frame)-1] == byte(sum>>8)
}

func slowRegisters(frame string, m Modbus, scale string, encoder bool) (s slow, ok bool) {
	if frame[1] != m.Function {
		return s, false // a refusal
	}
	digits := fmt.Sprintf("%x", frame[3:len(frame)-2])
	if m.LowFirst && len(digits) == 8 {
		digits = digits[4:] + digits[:4]
	}
	n, _ := new(big.Int).SetString(digits, 16)
	raw := new(big.Rat).SetInt(n)
	if strings.HasPrefix(m.Type, "int") && n.Bit(4*len(digits)-1) == 1 {
		raw.SetInt(n.Sub(n, new(big.Int).Lsh(big.NewInt(1), uint(4*len(digits)))))
	}
	if m.Type == "float32" {
		f := math.Float32frombits(uint32(n.Uint64()))
		if _, ok = raw.SetString(fmt.Sprint(f)); !ok || math.Abs(float64(f)) > 1_000_000_000 {
			return s, false // no number, infinite or beyond all sense
		}
		s.rounded = true
	}
	factor, _ := new(big.Rat).SetString(scale)
	s.value, s.unit = raw.Mul(raw, factor), UnitMM
	if s.decimals = len(scale) - 1 - strings.IndexByte(scale, '.'); s.decimals == len(scale) {
		s.decimals = 0
	}
	if s.rounded {
		s.decimals = 6
	}
	if encoder {
		s.unit = UnitCount
		return s, true
	}
	return s, s.fitsRounded()
}

// fitsRounded judges what is left after rounding, as the reader would see it.
func (s slow) fitsRounded() bool {
	if !s.rounded {
		return s.fits()
	}
	text := s.value.FloatString(s.decimals)
	r, _ := new(big.Rat).SetString(text)
	return slow{value: r, unit: s.unit}.fits()
}
