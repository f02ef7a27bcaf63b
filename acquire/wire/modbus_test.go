package wire

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

func mustModbus(t testing.TB, m Modbus, encoder bool) Decoder {
	t.Helper()
	d, err := NewModbusDecoder(m, encoder)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// sealed adds the check sum.
func sealed(b ...byte) string {
	return string(binary.LittleEndian.AppendUint16(b, CRC(b)))
}

func TestModbusDecode(t *testing.T) {
	float := func(f float32) []byte { return binary.BigEndian.AppendUint32([]byte{1, 3, 4}, math.Float32bits(f)) }
	for _, c := range []struct {
		name    string
		m       Modbus // Unit 1, Function 3
		encoder bool
		frame   string
		want    Value
		err     error
		says    string
	}{
		{name: "int16", m: Modbus{Type: "int16", Scale: 0.001}, frame: sealed(1, 3, 2, 0xFF, 0xFE), want: Value{Ticks: -2, Decimals: 3, Unit: UnitMM}},
		{name: "uint16", m: Modbus{Type: "uint16", Scale: 0.001}, frame: sealed(1, 3, 2, 0xFF, 0xFE), want: Value{Ticks: 65534, Decimals: 3, Unit: UnitMM}},
		{name: "int32, high word first", m: Modbus{Type: "int32", Scale: 0.0005}, frame: sealed(1, 3, 4, 0, 1, 0, 2), want: Value{Ticks: 65538 * 5, Decimals: 4, Unit: UnitMM}},
		{name: "int32, low word first", m: Modbus{Type: "int32", Scale: 0.0005, LowFirst: true}, frame: sealed(1, 3, 4, 0, 2, 0, 1), want: Value{Ticks: 65538 * 5, Decimals: 4, Unit: UnitMM}},
		{name: "negative int32", m: Modbus{Type: "int32", Scale: -0.00254}, frame: sealed(1, 3, 4, 0xFF, 0xFF, 0xFF, 0xFF), want: Value{Ticks: 254, Decimals: 5, Unit: UnitMM}},
		{name: "a count stays raw", m: Modbus{Type: "int32", Scale: 0.25}, encoder: true, frame: sealed(1, 3, 4, 0xFF, 0xFF, 0xFF, 0xFF), want: Value{Ticks: -1, Unit: UnitCount}},
		{name: "uint32", m: Modbus{Type: "uint32", Scale: 1}, encoder: true, frame: sealed(1, 3, 4, 0xFF, 0xFF, 0xFF, 0xFF), want: Value{Ticks: 1<<32 - 1, Unit: UnitCount}},
		{name: "float", m: Modbus{Type: "float32", Scale: 1}, frame: sealed(float(12.345)...), want: Value{Ticks: 12_345_000, Decimals: 6, Unit: UnitMM}},
		{name: "float in inches", m: Modbus{Type: "float32", Scale: 25.4}, frame: sealed(float(-0.1)...), want: Value{Ticks: -2_540_000, Decimals: 6, Unit: UnitMM}},
		{name: "tiny float", m: Modbus{Type: "float32", Scale: 1}, frame: sealed(float(1e-38)...), want: Value{Decimals: 6, Unit: UnitMM}},
		{name: "half away from zero", m: Modbus{Type: "float32", Scale: 0.0001}, frame: sealed(float(-0.005)...), want: Value{Ticks: -1, Decimals: 6, Unit: UnitMM}},
		{name: "no number", m: Modbus{Type: "float32", Scale: 1}, frame: sealed(float(float32(math.NaN()))...), err: ErrRange},
		{name: "infinite", m: Modbus{Type: "float32", Scale: 1}, frame: sealed(float(float32(math.Inf(1)))...), err: ErrRange},
		{name: "beyond any travel", m: Modbus{Type: "int16", Scale: 1}, frame: sealed(1, 3, 2, 0x7F, 0xFF), err: ErrRange},
		{name: "other unit", m: Modbus{Type: "int16", Scale: 1}, frame: sealed(2, 3, 2, 0, 1), err: ErrGarbage, says: "unit 2 speaks, 1 was asked"},
		{name: "other function", m: Modbus{Type: "int16", Scale: 1}, frame: sealed(1, 4, 2, 0, 1), err: ErrGarbage, says: "it answers function 4, asked was 3"},
		{name: "other length", m: Modbus{Type: "int32", Scale: 1}, frame: sealed(1, 3, 2, 0, 1), err: ErrGarbage, says: "it carries 2 bytes, asked were 4"},
		{name: "refusal", m: Modbus{Type: "int32", Scale: 1}, frame: sealed(1, 0x83, 2), err: ErrInstrument, says: "it has no such register (exception 2)"},
		{name: "unknown refusal", m: Modbus{Type: "int32", Scale: 1}, frame: sealed(1, 0x83, 99), err: ErrInstrument, says: "it refuses (exception 99)"},
		{name: "wrong sum", m: Modbus{Type: "int16", Scale: 1}, frame: "\x01\x03\x02\x00\x01\x79\x85", err: ErrGarbage, says: "its CRC is 79 85, right would be 79 84"},
		{name: "nothing", m: Modbus{Type: "int16", Scale: 1}, err: ErrGarbage, says: "0 bytes are no Modbus frame"},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.m.Unit, c.m.Function = 1, 3
			got, err := mustModbus(t, c.m, c.encoder).Decode([]byte(c.frame))
			if !errors.Is(err, c.err) || err != nil && !strings.Contains(err.Error(), c.says) {
				t.Fatalf("error %v, want %v %s", err, c.err, c.says)
			}
			if err == nil && got != c.want {
				t.Fatalf("got %+v, want %+v", got, c.want)
			}
		})
	}
}

func TestModbusSettingsRefused(t *testing.T) {
	good := Modbus{Unit: 1, Function: 4, Type: "int32", Scale: 1}
	for want, change := range map[string]func(*Modbus){
		"unit_id is 0: write 1 to 247, as set at the instrument":                                                                             func(m *Modbus) { m.Unit = 0 },
		"function is 16: write 3 for holding registers or 4 for input registers":                                                             func(m *Modbus) { m.Function = 16 },
		`type is "int64": write one of int16, uint16, int32, uint32, float32`:                                                                func(m *Modbus) { m.Type = "int64" },
		"scale is 0: write what one step of the register is worth, up to 1e6 and with nine decimals at most, such as 0.001":                  func(m *Modbus) { m.Scale = 0 },
		"scale is 0.3333333333333333: write what one step of the register is worth, up to 1e6 and with nine decimals at most, such as 0.001": func(m *Modbus) { m.Scale = 1.0 / 3 },
		"scale is NaN: write what one step of the register is worth, up to 1e6 and with nine decimals at most, such as 0.001":                func(m *Modbus) { m.Scale = math.NaN() },
	} {
		m := good
		change(&m)
		if _, err := NewModbusDecoder(m, false); err == nil || err.Error() != want {
			t.Errorf("got  %v\nwant %s", err, want)
		}
	}
}

func TestModbusFramer(t *testing.T) {
	m := Modbus{Unit: 1, Function: 3, Register: 0x0200, Type: "int16", Scale: 1} // its question looks like an answer of two bytes
	echo, good, other := string(m.Request()), sealed(1, 3, 2, 0, 7), sealed(1, 3, 2, 0, 8)
	refusal, wrong := sealed(1, 0x83, 2), "\x01\x03\x02\x00\x07\x00\x00"
	for name, c := range map[string]struct {
		reads []string
		want  string
	}{
		"an answer":                     {[]string{good}, "@1"},
		"in pieces":                     {[]string{good[:1], good[1:4], good[4:]}, "@1"},
		"own voice first":               {[]string{echo + good}, "@1"},
		"own voice in pieces":           {[]string{echo[:7], echo[7:], good}, "@3"},
		"noise first":                   {[]string{"\x00\xFF", good}, "stray2 @2"},
		"a refusal":                     {[]string{refusal}, "@1"},
		"two answers":                   {[]string{good + other}, "@1 @1"},
		"a wrong sum spoils what comes": {[]string{wrong + good}, "@1 then stray7"},
	} {
		t.Run(name, func(t *testing.T) {
			f := NewModbusFramer(m)
			var got []string
			tell := func(l Frame) {
				if l.Cut == CutNone {
					got = append(got, fmt.Sprintf("@%d", l.AtNS))
					return
				}
				got = append(got, fmt.Sprintf("stray%d", len(l.Bytes)))
			}
			for i, r := range c.reads {
				f.Push([]byte(r), int64(i+1), tell)
			}
			n := len(got)
			f.Silence(tell)
			if len(got) > n {
				got[n] = "then " + got[n]
			}
			if text := strings.Join(got, " "); text != c.want {
				t.Errorf("got %s, want %s", text, c.want)
			}
		})
	}
	f := NewModbusFramer(m)
	frames(f, wrong, good)
	f.Silence(func(Frame) {})
	if got := frames(f, good); len(got) != 1 || string(got[0].Bytes) != good {
		t.Errorf("after the next question: %+v", got)
	}
}

// The sum's check value for "123456789" is printed with every table of CRCs.
func TestCRC(t *testing.T) {
	if got := CRC([]byte("123456789")); got != 0x4B37 {
		t.Errorf("%04X, want 4B37", got)
	}
}
