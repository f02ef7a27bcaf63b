package wire

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func mustBCD(t testing.TB, encoding string, encoder bool) Decoder {
	t.Helper()
	d, err := NewBCDDecoder(encoding, encoder)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestBCDDecode(t *testing.T) {
	for _, c := range []struct {
		name, text string
		packed     bool
		encoder    bool
		want       Value
		err        error
		says       string
	}{
		{name: "inches", text: "FFFF000123451", want: Value{Ticks: 12345 / 10, Decimals: 5, Unit: UnitInch}},
		{name: "small letters", text: "ffff801234530", want: Value{Ticks: -12345, Decimals: 3, Unit: UnitMM}},
		{name: "no decimals", text: "FFFF000004200", want: Value{Ticks: 42, Unit: UnitMM}},
		{name: "minus nought", text: "FFFF800000030", want: Value{Decimals: 3, Unit: UnitMM}},
		{name: "a count", text: "FFFF800719900", encoder: true, want: Value{Ticks: -7199, Unit: UnitCount}},
		{name: "packed", text: "\xFF\xFF\x80\x12\x34\x53\x00", packed: true, want: Value{Ticks: -12345, Decimals: 3, Unit: UnitMM}},
		{name: "head", text: "FFF0021076540", err: ErrGarbage, says: "nibble 4 is 0, a frame begins with FFFF"},
		{name: "sign", text: "FFFF121076540", err: ErrGarbage, says: "its sign is 1, neither 0 nor 8"},
		{name: "digit", text: "FFFF0210A6540", err: ErrGarbage, says: "nibble 9 is A, no decimal digit"},
		{name: "decimals", text: "FFFF021076560", err: ErrGarbage, says: "6 decimals of six digits"},
		{name: "unit", text: "FFFF021076542", err: ErrGarbage, says: "its unit is 2, neither 0 nor 1"},
		{name: "short", text: "FFFF02107654", err: ErrGarbage, says: "13 hexadecimal digits are asked for, it has 12 characters"},
		{name: "letter", text: "FFFF02107654G", err: ErrGarbage, says: "'G' is no hexadecimal digit"},
		{name: "packed, last half", text: "\xFF\xFF\x80\x12\x34\x53\x01", packed: true, err: ErrGarbage, says: "it is not 7 bytes that end in a half of 0"},
		{name: "count in inches", text: "FFFF000123401", encoder: true, err: ErrGarbage, says: "a count in inches"},
		{name: "beyond any travel", text: "FFFF012345600", err: ErrRange},
		{name: "the bridge's error", text: "ERR1", err: ErrInstrument},
	} {
		t.Run(c.name, func(t *testing.T) {
			encoding := EncodingHex
			if c.packed {
				encoding = EncodingPacked
			}
			got, err := mustBCD(t, encoding, c.encoder).Decode([]byte(c.text))
			if !errors.Is(err, c.err) || err != nil && !strings.HasSuffix(err.Error(), c.says) {
				t.Fatalf("error %v, want %v %s", err, c.err, c.says)
			}
			if err == nil && got != c.want {
				t.Fatalf("got %+v, want %+v", got, c.want)
			}
		})
	}
	if _, err := NewBCDDecoder("morse", false); err == nil || err.Error() != `encoding is "morse": write "hex" for 13 hexadecimal digits a line, "packed" for 7 bytes` {
		t.Errorf("got %v", err)
	}
}

// goodPacked is +0.123 mm.
const goodPacked = "\xFF\xFF\x00\x00\x12\x33\x00"

func TestPackedFramer(t *testing.T) {
	for name, c := range map[string]struct {
		reads []string
		want  string // frames as g, strays as their length
	}{
		"one after the other":         {[]string{goodPacked + goodPacked}, "g g"},
		"in pieces":                   {[]string{goodPacked[:1], goodPacked[1:5], goodPacked[5:]}, "g"},
		"begun in the middle":         {[]string{goodPacked[3:] + goodPacked}, "4 g"},
		"a byte lost":                 {[]string{goodPacked[:4] + goodPacked[5:] + goodPacked}, "6 g"},
		"a byte of the head lost":     {[]string{goodPacked[1:] + goodPacked}, "6 g"},
		"noise like a head before it": {[]string{"\xFF" + goodPacked}, "1 g"},
		"noise before it":             {[]string{"\x00\x55" + goodPacked}, "2 g"},
		"no frame at all":             {[]string{strings.Repeat("\x11", MaxFrame+3) + goodPacked}, "256 3 g"},
	} {
		t.Run(name, func(t *testing.T) {
			var got []string
			for _, f := range frames(NewPackedFramer(), c.reads...) {
				switch {
				case f.Cut == CutNone && string(f.Bytes) == goodPacked:
					got = append(got, "g")
				case f.Cut == CutNone:
					got = append(got, fmt.Sprintf("%x", f.Bytes))
				default:
					got = append(got, fmt.Sprint(len(f.Bytes)))
				}
			}
			if text := strings.Join(got, " "); text != c.want {
				t.Errorf("got %s, want %s", text, c.want)
			}
		})
	}
	f := NewPackedFramer()
	got := frames(f, goodPacked[:1], goodPacked[1:]+goodPacked)
	if len(got) != 2 || got[0].AtNS != 1 || got[0].Burst != 0 || got[1].AtNS != 2 || got[1].Burst != 0 {
		t.Errorf("stamps %+v, want each at its first byte", got)
	}
	frames(f, goodPacked[:3])
	cuts := 0
	f.Silence(func(l Frame) { cuts += len(l.Bytes) })
	if got := frames(f, goodPacked[3:]); cuts != 3 || len(got) != 0 {
		t.Errorf("half a frame joined what came after a pause: %d bytes cut, then %+v", cuts, got)
	}
}

// bcdText writes a frame the way a gauge would.
func bcdText(ticks int64, decimals int, inch bool) string {
	sign, unit := 0, 0
	if ticks < 0 {
		sign, ticks = 8, -ticks
	}
	if inch {
		unit = 1
	}
	return fmt.Sprintf("FFFF%d%06d%d%d", sign, ticks, decimals, unit)
}

func TestBCDComesBack(t *testing.T) {
	d := mustBCD(t, EncodingHex, false)
	rapid.Check(t, func(t *rapid.T) {
		ticks := rapid.Int64Range(-999_999, 999_999).Draw(t, "ticks")
		decimals := rapid.IntRange(3, 5).Draw(t, "decimals")
		text := bcdText(ticks, decimals, false)
		v, err := d.Decode([]byte(text))
		if want := (Value{Ticks: ticks, Decimals: int8(decimals), Unit: UnitMM}); err != nil || v != want {
			t.Fatalf("%q: %+v, %v; want %+v", text, v, err, want)
		}
	})
}
