package acquire

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"crownmark/acquire/replay"
	"crownmark/acquire/virtual"
)

var update = flag.Bool("update", false, "write the captures in testdata anew")

// talk is a way of speaking: how an instrument puts a number on the wire, and
// what a reader must be told to read it.
type talk struct {
	name    string
	kind    Kind
	frame   string
	pattern string
	request string
	places  int                      // decimals; −1: counts
	unit    Unit                     // of what is read
	line    func(ticks int64) string // with its end
	carry   func([]said) []chunk     // nil: a read a line
	extra   map[int]string           // said before the line of that place; gives no reading
	binary  func(*InstrumentConfig)  // nil: lines of the pattern
}

// said is one line and when it came; chunk is what one read brought.
type said struct {
	atNS int64
	text string
}
type chunk = said

func talks() []talk {
	counter, plain := dresses()[0].pattern, dresses()[4].pattern
	decimal := func(format string, places int) func(int64) string {
		return func(n int64) string { return fmt.Sprintf(format, float64(n)/math.Pow10(places)) }
	}
	mm := decimal("%+09.3f mm\r\n", 3)
	return []talk{
		{name: "counter", kind: KindEncoder, pattern: counter, places: -1, unit: UnitCount, line: func(n int64) string { return fmt.Sprintf("%d\r\n", n) }},
		{name: "counter-axis-letter", kind: KindEncoder, pattern: dresses()[1].pattern, places: -1, unit: UnitCount, line: func(n int64) string { return fmt.Sprintf("X %d\r", n) }},
		{name: "counter-lumps-16ms", kind: KindEncoder, pattern: counter, places: -1, unit: UnitCount, line: func(n int64) string { return fmt.Sprintf("%d\r\n", n) }, carry: lumps},
		{name: "degrees", kind: KindEncoder, pattern: dresses()[3].pattern, places: 2, unit: UnitDegree, line: decimal("%.2f deg\n", 2)},
		{name: "indicator-mm", kind: KindIndicator, pattern: plain, places: 3, unit: UnitMM, line: mm},
		{name: "indicator-comma-blanks", kind: KindIndicator, pattern: plain, places: 2, unit: UnitMM, line: commaBlanks},
		{name: "indicator-inch", kind: KindIndicator, pattern: plain, places: 5, unit: UnitInch, line: decimal("%+.5f in\r\n", 5)},
		{name: "indicator-status-errors", kind: KindIndicator, pattern: dresses()[5].pattern, places: 3, unit: UnitMM, line: decimal("01A%+010.3f\r", 3), extra: map[int]string{5: "ERR3\r", 9: "01AERR3\r"}},
		{name: "indicator-7e1", kind: KindIndicator, frame: "7E1", pattern: plain, places: 3, unit: UnitMM, line: func(n int64) string { return evenParity(mm(n)) }},
		{name: "indicator-halves", kind: KindIndicator, pattern: plain, places: 3, unit: UnitMM, line: mm, carry: halves, extra: map[int]string{7: "+0\x0001.000 mm\r\n", 11: "~~~\r\n"}},
		{name: "bcd-hex", kind: KindIndicator, places: 3, unit: UnitMM, line: func(n int64) string { return bcdDigits(n) + "\r\n" }, extra: map[int]string{6: "FFFF0210A6540\r\n"},
			binary: func(c *InstrumentConfig) { c.Format, c.Encoding = "bcd-frame", "hex" }},
		{name: "bcd-packed", kind: KindIndicator, places: 3, unit: UnitMM, line: func(n int64) string { return unhex(bcdDigits(n) + "0") },
			binary: func(c *InstrumentConfig) { c.Format, c.Encoding = "bcd-frame", "packed" }},
		{name: "modbus-int32", kind: KindIndicator, frame: "8E1", places: 3, unit: UnitMM, line: modbusAnswer, request: "\x01\x03\x00\x00\x00\x02\xC4\x0B",
			binary: func(c *InstrumentConfig) {
				c.Format, c.Request, c.UnitID, c.Function, c.Type, c.WordOrder, c.Scale = "modbus-rtu", "", 1, 3, "int32", "high-first", 0.001
			}},
		{name: "indicator-polled", kind: KindIndicator, pattern: plain, places: 3, unit: UnitMM, line: mm, request: "R\r"},
	}
}

// bcdDigits are a number of three decimals in thirteen nibbles.
func bcdDigits(n int64) string {
	sign := 0
	if n < 0 {
		sign, n = 8, -n
	}
	return fmt.Sprintf("FFFF%d%06d30", sign, n)
}

func unhex(digits string) string {
	b, err := hex.DecodeString(digits)
	if err != nil {
		panic(err) // digits are written above
	}
	return string(b)
}

// modbusAnswer is unit 1's to function 3, with a check sum made otherwise than
// in the program: by long division of bits.
func modbusAnswer(n int64) string {
	b := append([]byte{1, 3, 4}, byte(n>>24), byte(n>>16), byte(n>>8), byte(n))
	sum := 0xFFFF
	for i := range len(b) * 8 {
		odd := sum&1 ^ int(b[i/8]>>(i%8)&1)
		sum = sum>>1 ^ odd*0xA001
	}
	return string(append(b, byte(sum), byte(sum>>8)))
}

func commaBlanks(n int64) string {
	sign := " "
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s %3d,%02d\r\n", sign, n/100, n%100)
}

// lumps is an adapter that hands over what it has each 16 ms.
func lumps(lines []said) (chunks []chunk) {
	const every = 16e6
	for _, l := range lines {
		at := (l.atNS/every + 1) * every
		if n := len(chunks); n > 0 && chunks[n-1].atNS == at {
			chunks[n-1].text += l.text
		} else {
			chunks = append(chunks, chunk{at, l.text})
		}
	}
	return chunks
}

// halves is a port whose reads break lines anywhere.
func halves(lines []said) (chunks []chunk) {
	for i, l := range lines {
		cut := 1 + i%(len(l.text)-1)
		chunks = append(chunks, chunk{l.atNS, l.text[:cut]}, chunk{l.atNS + 1.5e6, l.text[cut:]})
	}
	return chunks
}

// corpusLines is how many readings each capture holds.
const corpusLines = 60

// corpus makes a capture and the readings that an honest reader takes from it:
// the numbers and times are a virtual bench's, the dress is the talk's.
func corpus(t *testing.T, w talk) (file []byte, want []int64) {
	t.Helper()
	plan := virtual.DefaultPlan()
	plan.Cylinders, plan.Closing = []int{1}, false
	var lines []said
	begin := int64(-1)
	full := errors.New("enough")
	err := virtual.Simulate(virtual.Draw(cornerEngine, 5, virtual.DefaultDisturbances()), plan, func(r virtual.Row) error {
		if r.HeightMM != nil && begin < 0 {
			begin = int64(r.TS * 1e9)
		}
		if begin < 0 || (w.kind == KindEncoder) != (r.HeightMM == nil) {
			return nil
		}
		ticks := r.Count
		if w.places >= 0 {
			v := r.AngleDeg
			if r.HeightMM != nil {
				if v = *r.HeightMM; w.unit == UnitInch {
					v /= 25.4
				}
			}
			ticks = int64(math.Round(v * math.Pow10(w.places)))
		}
		if text, ok := w.extra[len(want)]; ok {
			lines = append(lines, said{int64(r.TS*1e9) - begin - 2e6, text})
		}
		lines, want = append(lines, said{int64(r.TS*1e9) - begin + 10e6, w.line(ticks)}), append(want, ticks)
		if len(want) == corpusLines {
			return full
		}
		return nil
	})
	if !errors.Is(err, full) {
		t.Fatalf("the virtual bench said too little: %v", err)
	}
	return w.write(t, lines), want
}

func (w talk) write(t *testing.T, lines []said) []byte {
	t.Helper()
	chunks := lines
	if w.carry != nil {
		chunks = w.carry(lines)
	}
	var b bytes.Buffer
	frame := "8N1"
	if w.frame != "" {
		frame = w.frame
	}
	out, err := replay.NewWriter(&b, true, []string{"Simulated: numbers and times of the virtual bench, put into this dress by corpus_test.go; no instrument said this."},
		[]replay.Port{{Name: string(w.kind), Baud: 9600, Frame: frame}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range chunks {
		if w.request != "" {
			err = out.Write(replay.Event{AtNS: c.atNS - 4e6, Kind: replay.Sent, Bytes: []byte(w.request)})
		}
		if err = errors.Join(err, out.Write(replay.Event{AtNS: c.atNS, Kind: replay.Came, Bytes: []byte(c.text)})); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

// TestCorpus plays each capture in testdata through a pseudo-terminal into the
// source that reads real ports. The oracle is the virtual bench's own numbers.
func TestCorpus(t *testing.T) {
	for _, w := range talks() {
		t.Run(w.name, func(t *testing.T) {
			t.Parallel()
			made, want := corpus(t, w)
			path := filepath.Join("testdata/captures", w.name+".capture")
			if *update {
				if err := os.WriteFile(path, made, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			kept, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(kept, made) {
				t.Errorf("%s is not what corpus_test.go makes: go test ./acquire -run TestCorpus -update", path)
			}
			c, err := replay.Read(bytes.NewReader(kept))
			if err != nil {
				t.Fatal(err)
			}
			if got := playInto(t, w, c, len(want)); !slices.Equal(got, want) {
				t.Errorf("read  %v\nsaid  %v", got, want)
			}
		})
	}
}

// playInto plays a capture and returns the ticks of what was read.
func playInto(t *testing.T, w talk, c replay.Capture, n int) (ticks []int64) {
	t.Helper()
	p, err := replay.NewPlayer(c, replay.Options{Speed: 5, Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	cfg := InstrumentConfig{Kind: w.kind, Name: "one", Port: p.Path(0), Baud: 9600, Frame: c.Ports[0].Frame, Format: "line", Pattern: w.pattern,
		Direction: 1, CountsPerRev: 7200, Request: w.request, IntervalMS: 5}
	if w.binary != nil {
		w.binary(&cfg)
	}
	start := time.Now()
	s := realSource(t, []InstrumentConfig{cfg}, func() int64 { return time.Since(start).Nanoseconds() })
	if err := s.Open(context.Background()); err != nil {
		t.Fatal(err)
	}
	for range 3 { // so long that the line counts as silent: the first line is whole
		if _, err := s.Read(); err != nil {
			t.Fatal(err)
		}
	}
	done := make(chan error, 1)
	go func() { done <- p.Run(context.Background()) }()
	var unused []string
	for deadline := time.Now().Add(20 * time.Second); len(ticks) < n; {
		h, err := s.Read()
		if err != nil || time.Now().After(deadline) {
			t.Fatalf("%d of %d read, then %v; unused %q", len(ticks), n, err, unused)
		}
		for _, r := range h.Readings {
			ticks = append(ticks, r.Ticks)
			if r.Unit != w.unit {
				t.Fatalf("unit %v, want %v", r.Unit, w.unit)
			}
		}
		for _, f := range h.Faults {
			unused = append(unused, string(f.Reason))
		}
	}
	if err := errors.Join(<-done, s.Close(), p.Close()); err != nil {
		t.Error(err)
	}
	if len(unused) != len(w.extra) {
		t.Errorf("unused %q, want %d", strings.Join(unused, " "), len(w.extra))
	}
	return ticks
}
