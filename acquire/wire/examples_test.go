package wire

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestPrintedExamples takes every example of testdata/frames.txt: what it does
// not know how to read fails.
func TestPrintedExamples(t *testing.T) {
	file, err := os.Open("testdata/frames.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	kinds := []struct {
		name  string
		dress *regexp.Regexp
		check func(t *testing.T, text, want string)
		seen  int
	}{
		{name: "line", dress: regexp.MustCompile(`^"`), check: exampleLine},
		{name: "bcd-frame", dress: regexp.MustCompile(`^[0-9A-F]{13}$`), check: exampleBCD},
		{name: "bcd-frame, bits", dress: regexp.MustCompile(`^([01]{4} ){12}[01]{4}$`), check: exampleBits},
		{name: "modbus-rtu", dress: regexp.MustCompile(`^([0-9A-F]{2} )+[0-9A-F]{2}$`), check: exampleModbus},
	}
next:
	for lines := bufio.NewScanner(file); lines.Scan(); {
		text, want, ok := strings.Cut(lines.Text(), " => ")
		if strings.HasPrefix(text, "#") {
			continue
		}
		for i := range kinds {
			if k := &kinds[i]; ok && k.dress.MatchString(text) {
				k.check(t, text, want)
				k.seen++
				continue next
			}
		}
		t.Errorf("nobody reads %q", lines.Text())
	}
	for i, least := range []int{6, 3, 1, 9} {
		if kinds[i].seen < least {
			t.Errorf("%d examples of %s, want %d", kinds[i].seen, kinds[i].name, least)
		}
	}
}

func wantMM(t *testing.T, text string, v Value, err error, want string) {
	t.Helper()
	var mm float64
	if _, e := fmt.Sscanf(want, "%f", &mm); e != nil {
		t.Fatal(e)
	}
	if err != nil || math.Abs(v.MM()-mm) > 1e-9 { // exact but for binary fractions
		t.Errorf("%s: %v mm, %v; want %v", text, v.MM(), err, mm)
	}
}

func exampleLine(t *testing.T, quoted, want string) {
	text, err := strconv.Unquote(quoted)
	if err != nil {
		t.Fatal(err)
	}
	got := frames(synced("8N1"), text)
	if len(got) != 1 || got[0].Cut != CutNone {
		t.Fatalf("%s: cut into %v, want one line", quoted, got)
	}
	pattern := lengthPattern
	if p, ok := map[string]string{
		"01A": `^(?P<status>\d\d[A-Z])(?P<value>[-+]\d+\.\d+)$`,
		"RNM": `^(?P<status>[A-Z]{3})\s+(?P<value>[-+]?\d+\.\d+)$`,
	}[text[:3]]; ok {
		pattern = p
	}
	v, err := mustDecoder(t, pattern, false).Decode(got[0].Bytes)
	if strings.Contains(want, "error") {
		if !errors.Is(err, ErrInstrument) {
			t.Errorf("%s: error %v, want the instrument's own", quoted, err)
		}
		return
	}
	wantMM(t, quoted, v, err, want)
}

// exampleBCD reads a frame in both encodings.
func exampleBCD(t *testing.T, text, want string) {
	packed, err := hex.DecodeString(text + "0")
	if err != nil {
		t.Fatal(err)
	}
	for encoding, sent := range map[string]string{EncodingHex: text + "\r\n", EncodingPacked: string(packed)} {
		f, d, err := New(Settings{Format: FormatBCD, Encoding: encoding, Serial: Serial{8, ParityNone, 1}})
		if err != nil {
			t.Fatal(err)
		}
		f.Silence(func(Frame) {})
		got := frames(f, sent)
		if len(got) != 1 || got[0].Cut != CutNone {
			t.Fatalf("%s %s: cut into %v, want one frame", encoding, text, got)
		}
		v, err := d.Decode(got[0].Bytes)
		wantMM(t, encoding+" "+text, v, err, want)
	}
}

// exampleBits turns what leaves the gauge into what a bridge makes of it.
func exampleBits(t *testing.T, text, want string) {
	var digits strings.Builder
	for nibble := range strings.FieldsSeq(text) {
		value := 0
		for i, bit := range nibble {
			value |= int(bit-'0') << i
		}
		fmt.Fprintf(&digits, "%X", value)
	}
	exampleBCD(t, digits.String(), want)
}

// exampleModbus checks the sum of any frame, and takes those that ask for one
// register, or answer that, for what they are.
func exampleModbus(t *testing.T, text, want string) {
	frame, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	err = CheckCRC(frame)
	if want != "ok" {
		reason := "no such frame: its CRC is FA C8, right would be 57 5F"
		_, refused := mustModbus(t, Modbus{Unit: 1, Function: 3, Register: 0x300C, Type: "int16", Scale: 1}, false).Decode(frame)
		if err == nil || err.Error() != reason || refused == nil || refused.Error() != reason {
			t.Errorf("%s: %v, %v; want %s", text, err, refused, reason)
		}
		return
	}
	if err != nil {
		t.Errorf("%s: %v", text, err)
	}
	m := Modbus{Unit: 1, Function: 3, Type: "uint16", Scale: 1}
	v, err := mustModbus(t, m, true).Decode(frame)
	switch {
	case len(frame) == 8 && frame[1] == 3:
		m.Register = uint16(frame[2])<<8 | uint16(frame[3])
		if got := fmt.Sprintf("% X", m.Request()); got != text {
			t.Errorf("asked is %s, want %s", got, text)
		}
	case len(frame) == 7 && frame[1] == 3:
		if w := (Value{Ticks: 1, Unit: UnitCount}); err != nil || v != w {
			t.Errorf("%s: %+v, %v; want %+v", text, v, err, w)
		}
	default: // writing
		if !errors.Is(err, ErrGarbage) || err.Error() != "no such frame: it answers function 16, asked was 3" {
			t.Errorf("%s: %v, want it refused", text, err)
		}
	}
}
