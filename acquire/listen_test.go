package acquire

import (
	"context"
	"errors"
	"math"
	"math/bits"
	"strings"
	"testing"
	"time"
)

// heardAs is a talk of one read; its first line may have lost its head.
func heardAs(text string) *Talk {
	t := &Talk{Baud: 9600, Frame: "8N1"}
	t.add([]byte("5\r\n"+text), 0)
	return t
}

func TestRecognise(t *testing.T) {
	lines := func(text string) string { return strings.ReplaceAll(text, "\n", "\r\n") + "\r\n" }
	of := func(i int) []dress { return dresses()[i : i+1] }
	n := len(dresses())
	for _, c := range []struct {
		name, text   string
		want         []dress
		frame, unit  string
		resolutionMM float64
	}{
		{"counter", lines("0\n-12\n+7199"), of(0), "8N1", "mm", 0},
		{"counter with an axis letter", lines("X 12\nX 13"), of(1), "8N1", "mm", 0},
		{"counter with its own time", lines("12,100000\n13,120000"), of(2), "8N1", "mm", 0},
		{"axis letter and own time", lines("X12,100000\nX13,120000"), of(7), "8N1", "mm", 0},
		{"counter that tells its index pulse", lines("12\n13 Z\n14"), of(8), "8N1", "mm", 0},
		{"degrees", lines("359.95 deg\n0.00 deg"), of(3), "8N1", "mm", 0},
		{"indicator", lines("+0012.345 mm\n-0000.001 mm"), of(4), "8N1", "mm", 0.001},
		{"indicator with a comma", lines("-  0,12\n1,50"), of(4), "8N1", "mm", 0.01},
		{"indicator in inches", lines("0.0005 in\n0.0010 in"), of(4), "8N1", "in", 0.00254},
		{"even parity left on", evenParity(lines("+0012.345 mm\n-0000.001 mm\n+0000.001 mm")), of(4), "7E1", "mm", 0.001},
		{"status before it", lines("01A+00012.345\n01A-00000.001\nERR3"), of(5), "8N1", "mm", 0.001},
		{"status and blanks", lines("RNM  123.456\nRNM  -0.001"), of(6), "8N1", "mm", 0.001},
		{"thirteen digits", lines("FFFF021076540\nFFFF801234530"), of(n - 2), "8N1", "mm", 0.001},
		{"seven bytes", "\xFF\xFF\x02\x10\x76\x54\x00\xFF\xFF\x80\x12\x34\x53\x00", of(n - 1), "8N1", "mm", 0.001},
		{"two on one port", lines("X1\n1.5 mm\nX2\nX3\n1.4 mm"), append(of(1), of(4)...), "8N1", "mm", 0},
		{"one that speaks seldom shares the port", lines(strings.Repeat("X1\n", 60) + "1.5 mm\n" + strings.Repeat("X2\n", 40) + "1.4 mm\nX3"), append(of(1), of(4)...), "8N1", "mm", 0},
		{"a wrong line now and then", lines(strings.Repeat("12\n", 30) + "1#\n" + strings.Repeat("13\n", 30) + "#4\n15"), of(0), "8N1", "mm", 0},
		{"prose", lines("hello\nworld"), nil, "", "", 0},
		{"only errors", lines("ERR3\nERR3"), nil, "", "", 0},
		{"every third line is none", lines("12\n13\nwhat?\n14\n15\n##"), nil, "", "", 0},
		{"nothing", "", nil, "", "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := recognise(heardAs(c.text))
			if len(got) != len(c.want) {
				t.Fatalf("found %+v, want %+v", got, c.want)
			}
			for i, f := range got {
				w, g := c.want[i], f.Config
				if f.Kind != w.kind || g.Format != w.format || g.Pattern != w.pattern || g.Encoding != w.encoding || g.Frame != c.frame || g.Unit != c.unit {
					t.Errorf("found %+v, want %+v at %s in %s", f, w, c.frame, c.unit)
				}
				if len(got) == 1 && math.Abs(f.ResolutionMM-c.resolutionMM) > 1e-12 { // powers of ten round
					t.Errorf("resolution %v, want %v", f.ResolutionMM, c.resolutionMM)
				}
			}
		})
	}
}

func TestNumberInRegisters(t *testing.T) {
	for _, c := range []struct {
		word        uint32
		kind, order string
	}{
		{0x00003039, "int32", "high-first"}, {0xFFFFCFC7, "int32", "high-first"}, // ±12345
		{0x30390000, "int32", "low-first"}, {0xCFC7FFFF, "int32", "low-first"},
		{0x4145851F, "float32", "high-first"}, {0x851F4145, "float32", "low-first"}, // 12.345
		{0x00003F80, "int32", "high-first"}, // 16256, or 1.0 the other way about
		{0, "int32", "high-first"},
	} {
		if kind, order := numberIn(c.word); kind != c.kind || order != c.order {
			t.Errorf("%08X: %s %s, want %s %s", c.word, kind, order, c.kind, c.order)
		}
	}
}

// evenParity sets the eighth bit as a 7E1 instrument sends it.
func evenParity(text string) string {
	b := []byte(text)
	for i, c := range b {
		if bits.OnesCount8(c)%2 == 1 {
			b[i] = c | 0x80
		}
	}
	return string(b)
}

func TestRecogniseOnAPort(t *testing.T) {
	for name, c := range map[string]struct {
		line  string
		kind  Kind
		frame string
	}{
		"counter":               {"-1234\r\n", KindEncoder, "8N1"},
		"seven bits and parity": {evenParity("+0012.345 mm\r\n"), KindIndicator, "7E1"},
	} {
		t.Run(name, func(t *testing.T) {
			line := newPtyLine(t)
			stop, done := make(chan struct{}), make(chan struct{})
			go func() {
				defer close(done)
				tick := time.NewTicker(20 * time.Millisecond)
				defer tick.Stop()
				for {
					select {
					case <-tick.C:
						line.say(c.line)
					case <-stop:
						return
					}
				}
			}()
			got, err := Recogniser{Each: 500 * time.Millisecond}.Port(context.Background(), line.path)
			close(stop)
			<-done
			if err != nil || len(got.Found) != 1 {
				t.Fatalf("got %+v, %v", got, err)
			}
			f := got.Found[0]
			if f.Kind != c.kind || f.Config.Frame != c.frame || f.Config.Baud != 9600 || f.Config.Port != line.path {
				t.Errorf("got %+v", f)
			}
			if r := f.RateHz; r < 10 || r > 100 { // 50, on a busy machine
				t.Errorf("%g readings a second", r)
			}
		})
	}
}

func TestRecogniseSilence(t *testing.T) {
	line := newPtyLine(t)
	r := Recogniser{Each: 200 * time.Millisecond}
	if _, err := r.Port(context.Background(), line.path); !errors.Is(err, ErrSilent) {
		t.Errorf("got %v", err)
	}
	line.unplug()
	var e *PortError
	if _, err := r.Port(context.Background(), line.path); !errors.As(err, &e) || e.Trouble != PortAbsent {
		t.Errorf("got %v", err)
	}
	line.plug()
	r.Modbus = &ModbusSearch{Units: []int{1}, Registers: []int{0}}
	if _, err := r.Port(context.Background(), line.path); !errors.Is(err, ErrSilent) {
		t.Errorf("nobody answers, got %v", err)
	}
	r.Most, r.Each = 300*time.Millisecond, time.Hour
	line.say("~~~~~~~~~~~~~~~~")
	if _, err := r.Port(context.Background(), line.path); !errors.Is(err, ErrSilent) && !errors.Is(err, ErrUnknown) {
		t.Errorf("after its time: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := r.Port(ctx, line.path); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}
