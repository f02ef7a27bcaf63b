package wire

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Format "modbus-rtu": registers read on request (Modbus over serial line,
// an open standard). Asked is unit, function, register, how many; then the
// answer comes:
//
//	question   unit  03|04  register hi lo  number hi lo  CRC lo hi
//	answer     unit  03|04  bytes that follow  data …  CRC lo hi
//	refusal    unit  83|84  code  CRC lo hi
//
// Function 3 reads holding registers, 4 input registers. A register is two
// bytes, high one first; a 32-bit value stands in two registers, of which some
// makers send the high, some the low one first. The CRC runs over all before
// it: start FFFF, polynomial A001 from the low end. Characters are 8E1 by the
// standard, often 8N1 in fact; 19200 or 9600 baud.
//
// The standard ends a frame by a silence of 3.5 characters. Adapters hand
// bytes over in lumps and hide it, so a frame ends here where its length says:
// an answer's is known beforehand.
//
// Known faults. On two wires the adapter may hear its own question: it is
// passed over. Turning the line round may leave a byte of noise before the
// answer: bytes that cannot begin an answer are skipped. An answer with a
// wrong CRC is dropped whole, and what follows it too until the next question.
// An answer names its unit, never its register: one that comes after the next
// question was asked would be taken for that one's, so a question that stays
// without answer must be given up late (half a second; makers promise 0.1 s).
//
// A float is taken for the shortest decimal that stands for it, 12.345 and not
// 12.3450003, and kept to the nanometre or the millionth count.
//
// Example, register 300C of unit 1: 01 03 30 0C 00 01 4B 09 is answered by
// 01 03 02 00 01 79 84: it holds 1.
type Modbus struct {
	Unit     byte   // 1 … 247
	Function byte   // 3 or 4
	Register uint16 // as it goes over the wire, from 0
	Type     string // int16, uint16, int32, uint32, float32
	LowFirst bool   // of two registers the low one comes first
	Scale    float64
}

// exceptions are the refusals of the standard.
var exceptions = map[byte]string{1: "it does not know this function", 2: "it has no such register", 3: "it does not take this number of registers",
	4: "it failed", 5: "it needs more time", 6: "it is busy", 8: "its memory is faulty", 10: "the gateway has no way to it", 11: "it does not answer the gateway"}

// registers is how many the value stands in.
func (m Modbus) registers() int {
	if strings.HasSuffix(m.Type, "16") {
		return 1
	}
	return 2
}

// Request asks for the value.
func (m Modbus) Request() []byte {
	q := []byte{m.Unit, m.Function, byte(m.Register >> 8), byte(m.Register), 0, byte(m.registers())}
	return binary.LittleEndian.AppendUint16(q, CRC(q))
}

// CRC is the check sum of Modbus RTU.
func CRC(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			if crc >>= 1; low == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// CheckCRC says what is wrong with a frame's check sum.
func CheckCRC(frame []byte) error {
	if len(frame) < 4 {
		return fmt.Errorf("%w: %d bytes are no Modbus frame", ErrGarbage, len(frame))
	}
	body, sum := frame[:len(frame)-2], frame[len(frame)-2:]
	if want := binary.LittleEndian.AppendUint16(nil, CRC(body)); !bytes.Equal(sum, want) {
		return fmt.Errorf("%w: its CRC is % X, right would be % X", ErrGarbage, sum, want)
	}
	return nil
}

type modbusDecoder struct {
	Modbus
	encoder  bool
	scale    *big.Rat // raw × scale × 10^decimals = Ticks
	decimals int8
}

// floatDecimals is how finely a float is kept, maxFloat how large one can be
// meant.
const (
	floatDecimals = 6
	maxFloat      = 1e9
)

// NewModbusDecoder reads answers. An indicator's register × Scale is in mm;
// an encoder's is kept as it is (its wrap shows only so), and Scale then says
// how many counts one of its steps is.
func NewModbusDecoder(m Modbus, encoder bool) (Decoder, error) {
	if err := m.check(); err != nil {
		return nil, err
	}
	text := strconv.FormatFloat(m.Scale, 'f', -1, 64)
	if encoder {
		text = "1"
	}
	_, fraction, _ := strings.Cut(text, ".")
	d := modbusDecoder{Modbus: m, encoder: encoder, decimals: int8(len(fraction))}
	if m.Type == "float32" {
		d.decimals = floatDecimals
	}
	d.scale, _ = new(big.Rat).SetString(text)
	d.scale.Mul(d.scale, new(big.Rat).SetFloat64(pow10(d.decimals)))
	return d, nil
}

// ModbusTypes are the kinds of values that registers hold.
func ModbusTypes() []string { return []string{"int16", "uint16", "int32", "uint32", "float32"} }

func (m Modbus) check() error {
	known := false
	for _, t := range ModbusTypes() {
		known = known || t == m.Type
	}
	_, fraction, _ := strings.Cut(strconv.FormatFloat(m.Scale, 'f', -1, 64), ".")
	switch {
	case m.Unit < 1 || m.Unit > 247:
		return fmt.Errorf("unit_id is %d: write 1 to 247, as set at the instrument", m.Unit)
	case m.Function != 3 && m.Function != 4:
		return fmt.Errorf("function is %d: write 3 for holding registers or 4 for input registers", m.Function)
	case !known:
		return fmt.Errorf("type is %q: write one of %s", m.Type, strings.Join(ModbusTypes(), ", "))
	case m.Scale == 0 || !(math.Abs(m.Scale) <= 1e6) || len(fraction) > 9:
		return fmt.Errorf("scale is %g: write what one step of the register is worth, up to 1e6 and with nine decimals at most, such as 0.001", m.Scale)
	}
	return nil
}

func (d modbusDecoder) Decode(frame []byte) (v Value, err error) {
	if err := CheckCRC(frame); err != nil {
		return v, err
	}
	unit, function, n := frame[0], frame[1], 2*d.registers()
	switch {
	case unit != d.Unit:
		return v, fmt.Errorf("%w: unit %d speaks, %d was asked", ErrGarbage, unit, d.Unit)
	case function == d.Function|0x80 && len(frame) == 5:
		return v, fmt.Errorf("%w: %s (exception %d)", ErrInstrument, refusal(frame[2]), frame[2])
	case function != d.Function:
		return v, fmt.Errorf("%w: it answers function %d, asked was %d", ErrGarbage, function, d.Function)
	case len(frame) != 5+n || int(frame[2]) != n:
		return v, fmt.Errorf("%w: it carries %d bytes, asked were %d", ErrGarbage, len(frame)-5, n)
	}
	raw, err := d.raw(frame[3 : 3+n])
	if err != nil {
		return v, err
	}
	return d.value(raw)
}

func refusal(code byte) string {
	if text, ok := exceptions[code]; ok {
		return text
	}
	return "it refuses"
}

// raw is the registers' number, exactly.
func (d modbusDecoder) raw(data []byte) (*big.Rat, error) {
	if len(data) == 2 {
		w := binary.BigEndian.Uint16(data)
		if d.Type == "int16" {
			return new(big.Rat).SetInt64(int64(int16(w))), nil
		}
		return new(big.Rat).SetInt64(int64(w)), nil
	}
	w := binary.BigEndian.Uint32(data)
	if d.LowFirst {
		w = w<<16 | w>>16
	}
	switch d.Type {
	case "int32":
		return new(big.Rat).SetInt64(int64(int32(w))), nil
	case "uint32":
		return new(big.Rat).SetInt64(int64(w)), nil
	}
	f := float64(math.Float32frombits(w))
	if math.IsNaN(f) || math.Abs(f) > maxFloat {
		return nil, fmt.Errorf("%w: the float %g", ErrRange, f)
	}
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(f, 'f', -1, 32))
	return r, nil
}

// value scales and rounds, halves away from zero.
func (d modbusDecoder) value(raw *big.Rat) (v Value, err error) {
	scaled, _ := new(big.Int).SetString(raw.Mul(raw, d.scale).FloatString(0), 10)
	if !scaled.IsInt64() {
		return v, ErrRange
	}
	v = Value{Ticks: scaled.Int64(), Decimals: d.decimals, Unit: UnitMM}
	if d.encoder {
		v.Unit = UnitCount
	}
	if err := plausible(v); err != nil {
		return Value{}, err
	}
	return v, nil
}
