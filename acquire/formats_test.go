package acquire

import (
	"context"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"
	"time"

	"crownmark/acquire/virtual"
)

// format is one way of speaking, as the bench file describes it to us, as the
// virtual bench speaks it, and as bytes written out by hand.
type format struct {
	name    string
	cfgs    []InstrumentConfig // of one port; the port's path is filled in
	voices  map[string]virtual.Voice
	inches  bool
	byHand  []spoken // said by a plain port, one after the other, round and round
	garbage string   // what is none of it, sent as one piece
}

// spoken is bytes and the number that they stand for.
type spoken struct {
	instrument    int // place in cfgs
	bytes, number string
	asked         string // said as answer to this; "": by itself
}

func ind(change func(*InstrumentConfig)) InstrumentConfig {
	c := indicatorConfig("left", "")
	change(&c)
	return c
}

func enc(change func(*InstrumentConfig)) InstrumentConfig {
	c := encoderConfig("")
	change(&c)
	return c
}

func mod(change func(*InstrumentConfig)) InstrumentConfig {
	c := modbusConfig("left", "")
	change(&c)
	return c
}

// left says one indicator's voice.
func left(v virtual.Voice) map[string]virtual.Voice { return map[string]virtual.Voice{"left": v} }

func formats() []format {
	keep := func(*InstrumentConfig) {}
	return append([]format{
		{name: "line, CR LF", cfgs: []InstrumentConfig{ind(keep)}, garbage: "what?\r\n",
			byHand: []spoken{{bytes: "+0012.345 mm\r\n", number: "12.345"}, {bytes: "-0000.010 mm\r\n", number: "-0.010"}}},
		{name: "line, CR, comma, no unit", cfgs: []InstrumentConfig{ind(keep)}, voices: left(virtual.Voice{End: "\r", Comma: true, Bare: true}), garbage: "-  0;125\r",
			byHand: []spoken{{bytes: "-  0,125\r", number: "-0.125"}, {bytes: "  7,5\r", number: "7.5"}}},
		{name: "line, LF, inches win", cfgs: []InstrumentConfig{ind(keep)}, voices: left(virtual.Voice{End: "\n"}), inches: true, garbage: "1.2.3\n",
			byHand: []spoken{{bytes: "  3.2100 in\n", number: "3.2100"}, {bytes: "-0.0005 in\n", number: "-0.0005"}}},
		{name: "line, 7E1, parity left on", cfgs: []InstrumentConfig{ind(func(c *InstrumentConfig) { c.Frame = "7E1" })}, voices: left(virtual.Voice{Parity: 'E'}), garbage: "1.5\x8d",
			byHand: []spoken{{bytes: evenParity("+1.250 mm\r\n"), number: "1.250"}, {bytes: evenParity("-3.001 mm\r\n"), number: "-3.001"}}},
		{name: "line, 7O1, parity left on", cfgs: []InstrumentConfig{ind(func(c *InstrumentConfig) { c.Frame = "7O1" })}, voices: left(virtual.Voice{Parity: 'O'}), garbage: "1.5\xb5\x8d\r",
			byHand: []spoken{{bytes: "\xb0\xae\x37\x0d", number: "0.7"}, {bytes: "\xad\x34\xae\x31\x0d", number: "-4.1"}}}, // + - . 0 1 4 7 CR by hand
		{name: "line, channel and status", cfgs: []InstrumentConfig{ind(func(c *InstrumentConfig) {
			c.Pattern = `^(?P<status>\d\d[A-Z])(?P<value>[-+]\d+\.\d+)`
		})}, voices: left(virtual.Voice{Prefix: "01A", Bare: true, End: "\r"}), garbage: "01AERR3\r",
			byHand: []spoken{{bytes: "01A+00012.345\r", number: "12.345"}, {bytes: "01A-00000.001\r", number: "-0.001"}}},
		{name: "line, own clock", cfgs: []InstrumentConfig{enc(func(c *InstrumentConfig) { c.Pattern = `^(?P<count>[-+]?\d+),(?P<time_us>\d+)$` })}, garbage: "12,x\r\n",
			voices: map[string]virtual.Voice{"encoder": {Clock: &virtual.Clock{StartUS: 1<<32 - 500_000, WrapUS: 1 << 32, Drift: 80e-6}}},
			byHand: []spoken{{bytes: "-12,100000\r\n", number: "-12"}, {bytes: "7199,120000\r\n", number: "7199"}}},
		{name: "line, asked", cfgs: []InstrumentConfig{ind(func(c *InstrumentConfig) { c.Request, c.IntervalMS = "\x05R\r", 20 })}, voices: left(virtual.Voice{Asked: "\x05R\r"}), garbage: "?\r\n",
			byHand: []spoken{{bytes: "+1.500 mm\r\n", number: "1.500", asked: "\x05R\r"}, {bytes: "+2.500 mm\r\n", number: "2.500", asked: "\x05R\r"}}},
		{name: "line, pedal", cfgs: []InstrumentConfig{ind(keep)}, voices: left(virtual.Voice{Pedal: true}), garbage: "what?\r\n",
			byHand: []spoken{{bytes: "+1.500 mm\r\n", number: "1.500"}, {bytes: "+1.501 mm\r\n", number: "1.501"}}},
		{name: "line, two on one port", cfgs: []InstrumentConfig{enc(func(c *InstrumentConfig) { c.Pattern = `^X(?P<count>[-+]?\d+)$` }), ind(keep)}, garbage: "Xy\r\n",
			voices: map[string]virtual.Voice{"encoder": {Prefix: "X"}, "left": {Port: "encoder"}},
			byHand: []spoken{{bytes: "X-12\r\n", number: "-12"}, {instrument: 1, bytes: "1.5\r\n", number: "1.5"}, {bytes: "X13\r\n", number: "13"}}},
		{name: "line, two asked in turn", cfgs: []InstrumentConfig{enc(func(c *InstrumentConfig) { c.Request, c.IntervalMS = "E?\r", 15 }),
			ind(func(c *InstrumentConfig) {
				c.Request, c.IntervalMS, c.Pattern = "I?\r", 25, `^(?P<value>[-+]?[\d.]+)( mm)?$`
			})}, garbage: "what?\r\n",
			voices: map[string]virtual.Voice{"encoder": {Asked: "E?\r"}, "left": {Port: "encoder", Asked: "I?\r"}}, // a count would fit the indicator's pattern too
			byHand: []spoken{{bytes: "-12\r\n", number: "-12", asked: "E?\r"}, {instrument: 1, bytes: "15\r\n", number: "15", asked: "I?\r"}}},
	}, binaryFormats()...)
}

func binaryFormats() []format {
	bcd := func(encoding string) func(*InstrumentConfig) {
		return func(c *InstrumentConfig) { c.Format, c.Encoding, c.Pattern = "bcd-frame", encoding, "" }
	}
	const ask32, ask16 = "\x01\x03\x00\x00\x00\x02\xC4\x0B", "\x02\x04\x00\x10\x00\x01\x30\x3C" // all sums by another program
	return []format{
		{name: "bcd-frame, hex", cfgs: []InstrumentConfig{ind(bcd("hex"))}, voices: left(virtual.Voice{Format: "bcd-hex"}), garbage: "FFFF0210A6540\r\n",
			byHand: []spoken{{bytes: "FFFF021076540\r\n", number: "21.0765"}, {bytes: "FFFF801234530\r", number: "-12.345"}}},
		{name: "bcd-frame, hex, asked, inches", cfgs: []InstrumentConfig{ind(func(c *InstrumentConfig) {
			bcd("hex")(c)
			c.Request, c.IntervalMS = "R", 20
		})}, voices: left(virtual.Voice{Format: "bcd-hex", Asked: "R"}), inches: true, garbage: "FFFF02107654\r\n",
			byHand: []spoken{{bytes: "FFFF000123441\r", number: "0.1234", asked: "R"}, {bytes: "FFFF800000151\r", number: "-0.00001", asked: "R"}}},
		{name: "bcd-frame, packed", cfgs: []InstrumentConfig{ind(bcd("packed"))}, voices: left(virtual.Voice{Format: "bcd-packed"}), garbage: "\xFF\xFF\x80\x12",
			byHand: []spoken{{bytes: "\xFF\xFF\x02\x10\x76\x54\x00", number: "21.0765"}, {bytes: "\xFF\xFF\x80\x12\x34\x53\x00", number: "-12.345"}}},
		{name: "modbus-rtu, int32", cfgs: []InstrumentConfig{mod(func(*InstrumentConfig) {})}, garbage: "\x01\x03\x04\x00",
			voices: left(virtual.Voice{Format: "modbus-rtu", Unit: 1, Function: 3, Type: "int32", Scale: 0.001}),
			byHand: []spoken{{bytes: "\x01\x03\x04\x00\x00\x30\x39\x2E\x21", number: "12.345", asked: ask32}, {bytes: "\x01\x03\x04\xFF\xFF\xCF\xC7\xEE\x75", number: "-12.345", asked: ask32}}},
		{name: "modbus-rtu, uint16, function 4, a count", garbage: "\x02\x04\x02\x00",
			cfgs: []InstrumentConfig{enc(func(c *InstrumentConfig) {
				*c = mod(func(m *InstrumentConfig) {
					m.Kind, m.Name, m.CountsPerRev, m.UnitID, m.Function, m.Register, m.Type, m.Scale = KindEncoder, "encoder", 7200, 2, 4, 16, "int16", 1
				})
			})},
			voices: map[string]virtual.Voice{"encoder": {Format: "modbus-rtu", Unit: 2, Function: 4, Register: 16, Type: "int16", Scale: 1}},
			byHand: []spoken{{bytes: "\x02\x04\x02\x1C\x1F\xB4\x38", number: "7199", asked: ask16}, {bytes: "\x02\x04\x02\xFF\xF4\xBD\x47", number: "-12", asked: ask16}}},
		{name: "modbus-rtu, float32, low word first", cfgs: []InstrumentConfig{mod(func(c *InstrumentConfig) { c.Type, c.WordOrder, c.Scale = "float32", "low-first", 1 })}, garbage: "\x01\x03\x04\x00",
			voices: left(virtual.Voice{Format: "modbus-rtu", Unit: 1, Function: 3, Type: "float32", LowFirst: true, Scale: 1}),
			byHand: []spoken{{bytes: "\x01\x03\x04\x85\x1F\x41\x45\x13\x5A", number: "12.345", asked: ask32}}},
		{name: "modbus-rtu, two on one bus", garbage: "\x01\x03\x04\x00",
			cfgs: []InstrumentConfig{mod(func(c *InstrumentConfig) {
				c.Kind, c.Name, c.CountsPerRev, c.Scale = KindEncoder, "encoder", 7200, 1
			}), mod(func(c *InstrumentConfig) { c.Register = 2 })},
			voices: map[string]virtual.Voice{"encoder": {Format: "modbus-rtu", Unit: 1, Function: 3, Type: "int32", Scale: 1},
				"left": {Format: "modbus-rtu", Port: "encoder", Unit: 1, Function: 3, Register: 2, Type: "int32", Scale: 0.001}},
			byHand: []spoken{{bytes: "\x01\x03\x04\x00\x00\x30\x39\x2E\x21", number: "12345", asked: ask32},
				{instrument: 1, bytes: "\x01\x03\x04\x00\x00\x00\x0C\xFA\x36", number: "0.012", asked: "\x01\x03\x00\x02\x00\x02\x65\xCB"}}},
	}
}

// holdFormat: all that was said is read, in order and to the digit; garbage
// changes nothing and is counted; a lost port is told, and after its return all
// is as before.
func holdFormat(t *testing.T, f format, made func(*testing.T, format) stage) {
	s := made(t, f)
	cfgs := slices.Clone(f.cfgs)
	for i := range cfgs {
		cfgs[i].Port = s.path()
	}
	start := time.Now()
	now := func() int64 { return time.Since(start).Nanoseconds() }
	source, err := newSerialSource(cfgs, now)
	if err != nil {
		t.Fatal(err)
	}
	h := &hearing{T: t, f: f, s: s, source: source, now: now}
	h.check("not open yet", h.closed)
	h.open()
	h.check("values", h.values)
	h.check("garbage", h.garbage)
	h.check("unplugged and back", h.unplugged)
	h.check("closed", h.closed)
}

// stage is where a format is spoken.
type stage interface {
	path() string
	// said is all that went over the wire so far, by instrument.
	said() [][]string
	garbage()
	unplug()
	replug()
}

type hearing struct {
	*testing.T
	f      format
	s      stage
	source *serialSource
	now    func() int64
	opened int64
	last   []int64
}

func (h *hearing) check(name string, do func()) {
	if !h.Failed() {
		do()
	}
	if h.Failed() {
		h.Fatalf("that was the check %q", name)
	}
}

func (h *hearing) open() {
	h.Helper()
	h.opened, h.last = h.now(), make([]int64, len(h.f.cfgs))
	if err := h.source.Open(context.Background()); err != nil {
		h.Fatal(err)
	}
}

// hear reads until each instrument has so many readings and so many faults were told.
func (h *hearing) hear(readings, faults int) (got [][]Reading, told []Fault) {
	h.Helper()
	got = make([][]Reading, len(h.f.cfgs))
	enough := func() bool {
		return len(told) >= faults && !slices.ContainsFunc(got, func(r []Reading) bool { return len(r) < readings })
	}
	for deadline := time.Now().Add(20 * time.Second); !enough(); {
		heard, err := h.source.Read()
		if err != nil || time.Now().After(deadline) {
			h.Fatalf("heard %d, faults %+v, then %v", howMany(got), told, err)
		}
		for _, r := range heard.Readings {
			if now := h.now(); r.AtNS < h.opened || r.AtNS > now || r.AtNS < h.last[r.Stream] {
				h.Errorf("a reading at %d: opened at %d, now %d, the one before at %d", r.AtNS, h.opened, now, h.last[r.Stream])
			}
			h.last[r.Stream] = r.AtNS
			got[r.Stream] = append(got[r.Stream], r)
		}
		told = append(told, heard.Faults...)
	}
	return got, told
}

func howMany(got [][]Reading) (n []int) {
	for _, g := range got {
		n = append(n, len(g))
	}
	return n
}

func (h *hearing) values() {
	got, told := h.hear(12, 0)
	for _, f := range told {
		if f.Reason != UnusedPartial {
			h.Errorf("a fault nobody made: %+v", f)
		}
	}
	said := h.s.said()
	for i, readings := range got {
		if !h.isPartOf(i, readings, said[i]) {
			h.Errorf("instrument %d: read %v, said was %v", i, texts(readings), said[i])
		}
	}
}

// isPartOf: some stretch of what was said is just what was read.
func (h *hearing) isPartOf(i int, readings []Reading, said []string) bool {
	for from := 0; from+len(readings) <= len(said); from++ {
		same := 0
		for same < len(readings) && h.stands(i, readings[same], said[from+same]) {
			same++
		}
		if same == len(readings) {
			return true
		}
	}
	return false
}

// stands tells whether a reading is the number, to the digit, in its unit.
func (h *hearing) stands(i int, r Reading, number string) bool {
	want, ok := new(big.Rat).SetString(number)
	tens := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(r.Decimals)), nil)
	unit := UnitMM
	switch {
	case h.f.cfgs[i].Kind == KindEncoder:
		unit = UnitCount
	case h.f.inches:
		unit = UnitInch
	}
	return ok && r.Unit == unit && want.Cmp(new(big.Rat).SetFrac(big.NewInt(r.Ticks), tens)) == 0
}

func texts(readings []Reading) (out []string) {
	for _, r := range readings {
		out = append(out, fmt.Sprintf("%d/10^%d u%d", r.Ticks, r.Decimals, r.Unit))
	}
	return out
}

// garbage: whatever is read is among what was said, in that order, and goes on.
func (h *hearing) garbage() {
	h.s.garbage()
	got, _ := h.hear(3, 1)
	more, _ := h.hear(12, 0)
	said := h.s.said()
	for i := range got {
		rest := said[i]
		for _, r := range append(got[i], more[i]...) {
			at := slices.IndexFunc(rest, func(s string) bool { return h.stands(i, r, s) })
			if at < 0 {
				h.Fatalf("instrument %d: read %v, which was never said; said was %v", i, texts([]Reading{r}), said[i])
			}
			rest = rest[at+1:]
		}
	}
}

// closed: a source that is not open gives an error, and closing it is no fault.
func (h *hearing) closed() {
	if err := errors.Join(h.source.Close(), h.source.Close()); err != nil {
		h.Error(err)
	}
	if _, err := h.source.Read(); err == nil {
		h.Error("a source that is not open was read")
	}
}

func (h *hearing) unplugged() {
	node := h.source.Node()
	h.s.unplug()
	var lost, absent *PortError
	if err := firstError(h.source); !errors.As(err, &lost) || lost.Trouble != PortLost {
		h.Fatalf("unplugged: %v", err)
	}
	h.closed()
	if now := h.source.Node(); now != "" {
		h.Errorf("nothing stands there, and yet %q", now)
	}
	if err := h.source.Open(context.Background()); !errors.As(err, &absent) || absent.Trouble != PortAbsent {
		h.Errorf("opening an absent one: %v", err)
	}
	h.s.replug()
	if again := h.source.Node(); again == "" || again == node {
		h.Errorf("came back as %q, was %q: the return cannot be seen", again, node)
	}
	h.open()
	h.values()
}

// Every format of the bench file has its rows here.
func TestFormatsAreAllHere(t *testing.T) {
	for _, want := range []string{"line", "bcd-frame", "modbus-rtu"} {
		if !slices.ContainsFunc(formats(), func(f format) bool { return strings.HasPrefix(f.name, want) && f.cfgs[0].Format == want }) {
			t.Errorf("nothing checks %s", want)
		}
	}
}
