package virtual

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// Voice is how an instrument speaks on its port. The zero value says a line
// for each reading, as the Rig describes. What a voice cannot say it refuses
// in NewRig.
type Voice struct {
	Format string // "line" or "", "bcd-hex", "bcd-packed", "modbus-rtu"
	Port   string // name of the instrument whose port it shares; "": its own
	Parity byte   // 'E' or 'O': seven bits, the eighth the parity; else eight bits
	// Shape is how its port is set. A reader that sets the port otherwise hears
	// what a real receiver would make of it, and is not understood. The zero
	// value lets every reader hear, as pseudo-terminals do.
	Shape Shape

	// When it speaks: by itself at its own rate, when asked with these bytes
	// (Modbus is always asked), or at a press of its pedal.
	Asked string
	Pedal bool

	// Lines.
	Prefix string // channel and status
	Comma  bool   // for the point
	Bare   bool   // without its unit
	End    string // "": CR LF
	Clock  *Clock // its own time after the number, comma between

	// Modbus.
	Unit, Function byte
	Register       uint16
	Type           string // int16, uint16, int32, uint32, float32
	LowFirst       bool
	Scale          float64 // number = register × Scale
}

// Clock is an instrument's own; it runs on the wall's time, whatever the bench's
// speedup.
type Clock struct {
	StartUS int64
	Drift   float64 // a fast clock's is positive
	WrapUS  int64   // it runs over there; 0: never
}

const voiceModbus = "modbus-rtu"

func (v Voice) check() error {
	switch v.Format {
	case "", "line", "bcd-hex", "bcd-packed":
		return nil
	case voiceModbus:
		if v.Scale == 0 || v.width() == 0 {
			return fmt.Errorf("virtual bench: a Modbus voice of type %q and scale %g: give both", v.Type, v.Scale)
		}
		return nil
	}
	return fmt.Errorf("virtual bench: nobody speaks %q: use line, bcd-hex, bcd-packed or modbus-rtu", v.Format)
}

// encode is what goes over the wire for a number at a virtual time.
func (v Voice) encode(l *line) []byte {
	var b []byte
	switch v.Format {
	case "bcd-hex":
		b = []byte(bcdDigits(l.number, l.unit) + v.end())
	case "bcd-packed":
		b, _ = hex.DecodeString(bcdDigits(l.number, l.unit) + "0") // digits it is made of
	default:
		b = []byte(v.line(l))
	}
	for i, c := range b {
		if odd := bits.OnesCount8(c)%2 == 1; v.Parity == 'E' && odd || v.Parity == 'O' && !odd {
			b[i] |= 0x80
		}
	}
	return b
}

func (v Voice) line(l *line) string {
	text := l.number
	if v.Comma {
		text = strings.Replace(text, ".", ",", 1)
	}
	if v.Clock != nil {
		text += "," + strconv.FormatInt(v.Clock.at(l.looked), 10)
	}
	if l.unit != "" && !v.Bare {
		text += " " + l.unit
	}
	return v.Prefix + text + v.end()
}

func (v Voice) end() string {
	if v.End == "" {
		return "\r\n"
	}
	return v.End
}

func (c *Clock) at(seconds float64) int64 {
	us := c.StartUS + int64(seconds*1e6*(1+c.Drift))
	if c.WrapUS > 0 {
		us %= c.WrapUS
	}
	return us
}

// bcdDigits packs a number into 13 hexadecimal digits, as many decimals as a
// frame can hold.
func bcdDigits(number, unit string) string {
	sign, inch := 0, 0
	if strings.HasPrefix(number, "-") {
		sign = 8
	}
	if unit == "in" {
		inch = 1
	}
	whole, fraction, _ := strings.Cut(strings.TrimLeft(number, "+-"), ".")
	fraction = fraction[:min(len(fraction), 5)]
	digits := "000000" + whole + fraction
	return fmt.Sprintf("FFFF%d%s%d%d", sign, digits[len(digits)-6:], len(fraction), inch)
}

// width is how many registers a value takes; 0 for a type that is none.
func (v Voice) width() int {
	switch v.Type {
	case "int16", "uint16":
		return 1
	case "int32", "uint32", "float32":
		return 2
	}
	return 0
}

// answer is what the instrument says to a question of eight bytes: nothing to
// one that is garbled or meant for another.
func (v Voice) answer(q []byte, number string) []byte {
	if len(q) != 8 || q[0] != v.Unit || string(withSum(q[:6])) != string(q) {
		return nil
	}
	register, n := binary.BigEndian.Uint16(q[2:]), binary.BigEndian.Uint16(q[4:])
	switch {
	case q[1] != v.Function:
		return withSum([]byte{v.Unit, q[1] | 0x80, 1})
	case register != v.Register || int(n) != v.width():
		return withSum([]byte{v.Unit, q[1] | 0x80, 2})
	}
	return withSum(append([]byte{v.Unit, v.Function, byte(2 * n)}, v.registers(number)...))
}

func (v Voice) registers(number string) []byte {
	x, err := strconv.ParseFloat(number, 64)
	if err != nil {
		x = 0 // no reading yet
	}
	x /= v.Scale
	word := uint32(int64(math.Round(x)))
	if v.Type == "float32" {
		word = math.Float32bits(float32(x))
	}
	switch {
	case v.width() == 1:
		return binary.BigEndian.AppendUint16(nil, uint16(word))
	case v.LowFirst:
		word = bits.RotateLeft32(word, 16)
	}
	return binary.BigEndian.AppendUint32(nil, word)
}

// withSum adds the check sum of Modbus RTU.
func withSum(b []byte) []byte {
	sum := uint16(0xFFFF)
	for _, c := range b {
		sum ^= uint16(c)
		for range 8 {
			if sum&1 == 1 {
				sum = sum>>1 ^ 0xA001
			} else {
				sum >>= 1
			}
		}
	}
	return binary.LittleEndian.AppendUint16(append([]byte(nil), b...), sum)
}
