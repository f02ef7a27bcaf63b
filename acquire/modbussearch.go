package acquire

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"crownmark/acquire/wire"
)

// ModbusSearch says which questions a silent port may be asked. Each reads
// registers (functions 3 and 4) and changes none.
type ModbusSearch struct {
	Units     []int
	Registers []int
}

// DefaultModbusSearch are the likely ones.
func DefaultModbusSearch() *ModbusSearch {
	return &ModbusSearch{Units: []int{1, 2, 3, 4, 5}, Registers: []int{0, 1, 2, 4, 8, 16, 32, 100, 256}}
}

// modbusLines are the speeds and frames to ask at, the standard's own first.
var modbusLines = [...]struct {
	baud  int
	frame string
}{{19200, "8E1"}, {9600, "8N1"}, {19200, "8N1"}, {9600, "8E1"}, {115200, "8N1"}, {38400, "8N1"}, {57600, "8N1"}, {115200, "8E1"}}

// answerWait is how long an answer is waited for: a tenth of a second is
// promised by makers.
const answerWait = 130 * time.Millisecond

// find asks at each likely speed and frame until somebody answers.
func (m *ModbusSearch) find(ctx context.Context, p *port, tell func(string)) ([]Found, error) {
	if err := p.patience(10 * time.Millisecond); err != nil {
		return nil, err
	}
	for _, l := range modbusLines {
		tell(fmt.Sprintf("asking at %d %s", l.baud, l.frame))
		shape, err := wire.ParseSerial(l.frame)
		if err != nil {
			return nil, err
		}
		if err := p.retune(l.baud, shape); err != nil {
			return nil, err
		}
		found, err := m.askAll(ctx, p)
		if err != nil {
			return nil, err
		}
		if len(found) > 0 {
			for i := range found {
				found[i].Config.Baud, found[i].Config.Frame = l.baud, l.frame
			}
			return found, nil
		}
	}
	return nil, fmt.Errorf("port %s: %w, nor did it answer", p.path, ErrSilent)
}

// askAll asks every unit; of one that lives, the registers.
func (m *ModbusSearch) askAll(ctx context.Context, p rawPort) (found []Found, err error) {
	for _, unit := range m.Units {
		alive, err := m.alive(ctx, p, unit)
		if err != nil {
			return nil, err
		}
		if !alive {
			continue
		}
		f, err := m.registers(ctx, p, unit)
		if err != nil {
			return nil, err
		}
		found = append(found, f...)
	}
	return found, nil
}

// alive: a refusal is an answer too.
func (m *ModbusSearch) alive(ctx context.Context, p rawPort, unit int) (bool, error) {
	_, answered, err := ask(ctx, p, wire.Modbus{Unit: byte(unit), Function: 3, Register: uint16(m.Registers[0]), Type: "int32"})
	return answered, err
}

// registers finds the first place with a value; where all hold zero, the
// first that answers.
func (m *ModbusSearch) registers(ctx context.Context, p rawPort, unit int) ([]Found, error) {
	var zero []Found
	for _, size := range []string{"int32", "int16"} {
		for _, function := range []byte{3, 4} {
			for _, register := range m.Registers {
				q := wire.Modbus{Unit: byte(unit), Function: function, Register: uint16(register), Type: size}
				data, _, err := ask(ctx, p, q)
				switch {
				case err != nil:
					return nil, err
				case data == nil:
				case slices.ContainsFunc(data, func(b byte) bool { return b != 0 }):
					return []Found{foundModbus(q, data)}, nil
				case zero == nil:
					zero = []Found{foundModbus(q, data)}
				}
			}
		}
	}
	return zero, nil
}

// ask puts one question. data is nil where it was refused or not answered.
func ask(ctx context.Context, p rawPort, q wire.Modbus) (data []byte, answered bool, err error) {
	if err := errors.Join(ctx.Err(), p.write(q.Request())); err != nil {
		return nil, false, err
	}
	n := 2
	if q.Type == "int32" {
		n = 4
	}
	var heard []byte
	buf := make([]byte, 256)
	for start := time.Now(); time.Since(start) < answerWait; {
		got, err := p.read(buf)
		if err != nil {
			return nil, false, err
		}
		heard = append(heard, buf[:got]...)
		for from := range heard {
			if data, ok := answerIn(heard[from:], q.Unit, q.Function, n); ok {
				time.Sleep(5 * time.Millisecond) // the line's rest before the next question
				return data, true, nil
			}
		}
	}
	return nil, false, nil
}

// answerIn finds an answer at the beginning of what was heard.
func answerIn(b []byte, unit, function byte, n int) (data []byte, ok bool) {
	switch {
	case len(b) < 5 || b[0] != unit:
		return nil, false
	case b[1] == function|0x80 && wire.CheckCRC(b[:5]) == nil:
		return nil, true
	case b[1] == function && int(b[2]) == n && len(b) >= 5+n && wire.CheckCRC(b[:5+n]) == nil:
		return b[3 : 3+n], true
	}
	return nil, false
}

func foundModbus(q wire.Modbus, data []byte) Found {
	c := InstrumentConfig{Format: wire.FormatModbus, UnitID: int(q.Unit), Function: int(q.Function), Register: int(q.Register),
		Type: q.Type, WordOrder: wordHighFirst, Scale: 1, IntervalMS: 20, Direction: 1, Unit: "mm"}
	if len(data) == 4 {
		c.Type, c.WordOrder = numberIn(binary.BigEndian.Uint32(data))
	}
	return Found{Config: c, Last: fmt.Sprintf("% X", data), Readings: 1}
}

// GuessRegisters guesses what kind of number stands in two registers, from the
// answers that came.
func GuessRegisters(c InstrumentConfig, answers [][]byte) InstrumentConfig {
	const data, size = 3, 9 // where it stands in an answer, and how long that is
	var words []uint32
	for _, a := range answers {
		if len(a) == size {
			words = append(words, binary.BigEndian.Uint32(a[data:]))
		}
	}
	if c.Format == wire.FormatModbus && len(words) > 0 {
		c.Type, c.WordOrder = numberIn(words...)
	}
	return c
}

// numberIn: as a float all must be of a size that instruments show, as an
// integer not huge. Of two orders of an integer's words the one that makes it
// smaller; an integer of few counts may look like a round float the other way
// about, so that it goes first.
func numberIn(words ...uint32) (kind, order string) {
	all := func(is func(uint32) bool) bool {
		return !slices.ContainsFunc(words, func(w uint32) bool { return !is(w) })
	}
	high, low := 0.0, 0.0
	for _, w := range words {
		high, low = max(high, size(w)), max(low, size(swapped(w)))
	}
	switch {
	case all(likelyFloat):
		return "float32", wordHighFirst
	case min(high, low) > mostInteger && all(func(w uint32) bool { return likelyFloat(swapped(w)) }):
		return "float32", wordLowFirst
	case low < high:
		return "int32", wordLowFirst
	}
	return "int32", wordHighFirst
}

const mostInteger = 1e7

func swapped(word uint32) uint32 { return word<<16 | word>>16 }

func size(word uint32) float64 { return math.Abs(float64(int32(word))) }

func likelyFloat(word uint32) bool {
	f := math.Abs(float64(math.Float32frombits(word)))
	return f >= 1e-4 && f <= 1e6
}
