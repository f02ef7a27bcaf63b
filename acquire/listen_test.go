package acquire

import (
	"context"
	"errors"
	"math/bits"
	"strings"
	"testing"
	"time"
)

func TestRecognise(t *testing.T) {
	const plain = `^\s*(?P<value>[-+]?\s*\d+[.,]?\d*)\s*(?P<unit>mm|in)?\s*$`
	for _, c := range []struct {
		name, lines string
		want        Found
	}{
		{"counter", "0\n-12\n+7199", Found{Kind: KindEncoder, Pattern: `^(?P<count>[-+]?\d+)$`}},
		{"counter with an axis letter", "X 12\nX 13", Found{Kind: KindEncoder, Pattern: `^[A-Za-z]\s*(?P<count>[-+]?\d+)$`}},
		{"counter with its own time", "12,100000\n13,120000", Found{Kind: KindEncoder, Pattern: `^(?P<count>[-+]?\d+)[\s,;]+(?P<time_us>\d{6,})$`}},
		{"degrees", "359.95 deg\n0.00 deg", Found{Kind: KindEncoder, Pattern: `^\s*(?P<degrees>[-+]?\s*\d+[.,]?\d*)\s*(?:deg|DEG|°)\s*$`}},
		{"indicator", "+0012.345 mm\n-0000.001 mm", Found{Kind: KindIndicator, Pattern: plain, Unit: "mm", ResolutionMM: 0.001}},
		{"indicator with a comma", "-  0,12\n1,50", Found{Kind: KindIndicator, Pattern: plain, Unit: "mm", ResolutionMM: 0.01}},
		{"indicator in inches", "0.0005 in\n0.0010 in", Found{Kind: KindIndicator, Pattern: plain, Unit: "in", ResolutionMM: 0.00254}},
		{"status before it", "01A+00012.345\n01A-00000.001\nERR3", Found{Kind: KindIndicator, Pattern: `^(?P<status>\w{2,3})(?P<value>[-+]\s*\d+[.,]\d*)\s*(?P<unit>mm|in)?\s*$`, Unit: "mm", ResolutionMM: 0.001}},
		{"status and blanks", "RNM  123.456\nRNM  -0.001", Found{Kind: KindIndicator, Pattern: `^(?P<status>[A-Za-z]{1,3})\s+(?P<value>[-+]?\s*\d+[.,]\d*)\s*(?P<unit>mm|in)?\s*$`, Unit: "mm", ResolutionMM: 0.001}},
		{"prose", "hello\nworld", Found{}},
		{"only errors", "ERR3\nERR3", Found{}},
		{"nothing", "", Found{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := recognise(strings.Split(c.lines, "\n"))
			if d := got.ResolutionMM - c.want.ResolutionMM; d > 1e-12 || d < -1e-12 { // powers of ten round
				t.Errorf("resolution %v, want %v", got.ResolutionMM, c.want.ResolutionMM)
			}
			got.ResolutionMM = c.want.ResolutionMM
			if got.Kind != c.want.Kind || got.Pattern != c.want.Pattern || got.Unit != c.want.Unit {
				t.Errorf("got  %+v\nwant %+v", got, c.want)
			}
		})
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
			f, err := Recognise(context.Background(), line.path, 500*time.Millisecond)
			close(stop)
			<-done
			if err != nil || f.Kind != c.kind || f.Talk.Frame != c.frame || f.Talk.Baud != 9600 {
				t.Fatalf("got %+v, %v", f, err)
			}
			if r := f.Talk.RateHz; r < 20 || r > 80 { // 50, on a busy machine
				t.Errorf("%g lines a second", r)
			}
		})
	}
}

func TestRecogniseSilence(t *testing.T) {
	line := newPtyLine(t)
	if _, err := Recognise(context.Background(), line.path, 200*time.Millisecond); !errors.Is(err, ErrSilent) {
		t.Errorf("got %v", err)
	}
	line.unplug()
	var e *PortError
	if _, err := Recognise(context.Background(), line.path, time.Second); !errors.As(err, &e) || e.Trouble != PortAbsent {
		t.Errorf("got %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	line.plug()
	if _, err := Listen(ctx, line.path, 9600, "8N1", time.Hour); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}
