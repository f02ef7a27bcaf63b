package wire

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

const (
	lengthPattern = `^\s*(?P<value>[-+]?\s*\d+[.,]?\d*)\s*(?P<unit>mm|in)?\s*$`
	countPattern  = `^(?P<count>[-+]?\d+)$`
)

func mustDecoder(t testing.TB, pattern string, encoder bool) Decoder {
	t.Helper()
	d, err := NewLineDecoder(pattern, encoder, UnitMM)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// frames cuts chunks, each of one Read, into lines.
func frames(f Framer, chunks ...string) (out []Frame) {
	for i, c := range chunks {
		f.Push([]byte(c), int64(i+1), func(l Frame) {
			l.Bytes = bytes.Clone(l.Bytes)
			out = append(out, l)
		})
	}
	return out
}

func synced(s string) Framer {
	shape, err := ParseSerial(s)
	if err != nil {
		panic(err)
	}
	f := NewLineFramer(shape)
	f.Silence(func(Frame) {})
	return f
}

func TestDecode(t *testing.T) {
	for _, c := range []struct {
		name, pattern, line string
		encoder             bool
		want                Value
		err                 error
	}{
		{name: "blanks and comma", pattern: lengthPattern, line: "-  0,125", want: Value{Ticks: -125, Decimals: 3, Unit: UnitMM}},
		{name: "unit in the line wins", pattern: lengthPattern, line: "0.5000 in", want: Value{Ticks: 5000, Decimals: 4, Unit: UnitInch}},
		{name: "inch mark", pattern: `^(?P<value>[\d.]+)(?P<unit>")$`, line: `0.5"`, want: Value{Ticks: 5, Decimals: 1, Unit: UnitInch}},
		{name: "no fraction", pattern: lengthPattern, line: "12.", want: Value{Ticks: 12, Unit: UnitMM}},
		{name: "count", pattern: countPattern, line: "-7199", encoder: true, want: Value{Ticks: -7199, Unit: UnitCount}},
		{name: "degrees", pattern: `^(?P<degrees>[-+\d.]+)$`, line: "359.95", encoder: true, want: Value{Ticks: 35995, Decimals: 2, Unit: UnitDegree}},
		{name: "own clock", pattern: `^(?P<count>\d+) (?P<time_us>\d+)$`, line: "12 1234567", encoder: true, want: Value{Ticks: 12, Unit: UnitCount, TimeUS: 1234567, HasTime: true}},
		{name: "both on one line, the count", pattern: `^(?P<count>\d+);(?P<value>[\d.]+)$`, line: "12;0.5", encoder: true, want: Value{Ticks: 12, Unit: UnitCount}},
		{name: "both on one line, the height", pattern: `^(?P<count>\d+);(?P<value>[\d.]+)$`, line: "12;0.5", want: Value{Ticks: 5, Decimals: 1, Unit: UnitMM}},
		{name: "garbage", pattern: lengthPattern, line: "\xff\xfe12", err: ErrGarbage},
		{name: "two points", pattern: `^(?P<value>.*)$`, line: "1.2.3", err: ErrGarbage},
		{name: "sign inside", pattern: `^(?P<value>.*)$`, line: "1-2", err: ErrGarbage},
		{name: "empty value", pattern: `^(?P<value>.*)$`, line: "", err: ErrGarbage},
		{name: "strange unit", pattern: `^(?P<value>\d+)(?P<unit>\w+)$`, line: "12kg", err: ErrGarbage},
		{name: "beyond any travel", pattern: lengthPattern, line: "1000.001", err: ErrRange},
		{name: "beyond any travel in inches", pattern: lengthPattern, line: "39.4 in", err: ErrRange},
		{name: "too many digits", pattern: countPattern, line: "99999999999999999999999", encoder: true, err: ErrRange},
		{name: "fraction of a count", pattern: `^(?P<count>[\d.]+)$`, line: "12.5", encoder: true, err: ErrGarbage},
		{name: "error", pattern: lengthPattern, line: "ERR3", err: ErrInstrument},
		{name: "error with a channel", pattern: lengthPattern, line: "01 E12", err: ErrInstrument},
		{name: "error after channel and status", pattern: `^(?P<status>\d\d[A-Z])(?P<value>[-+]\d+\.\d+)$`, line: "01AERR3", err: ErrInstrument},
		{name: "error in a number's place", pattern: `^(?P<status>\d\d[A-Z])(?P<value>[-+]\d+\.\d+)$`, line: "01B-ERROR", err: ErrInstrument},
		{name: "error in a status dress", pattern: `^(?P<status>\w{3})(?P<value>[-+\d.]*)$`, line: "01B", err: ErrInstrument},
		{name: "exponent is no error line", pattern: lengthPattern, line: "1e5", err: ErrGarbage},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := mustDecoder(t, c.pattern, c.encoder).Decode([]byte(c.line))
			if !errors.Is(err, c.err) {
				t.Fatalf("error %v, want %v", err, c.err)
			}
			if err == nil && got != c.want {
				t.Fatalf("got %+v, want %+v", got, c.want)
			}
		})
	}
}

func TestPatternRefused(t *testing.T) {
	for pattern, want := range map[string]string{
		"":                         "pattern is missing: write a regular expression with the named group (?P<value>…)",
		`(\d+)`:                    "pattern lacks the named group (?P<value>…)",
		`(?P<value>\d+)(?P<chan>)`: `pattern has an unknown group "chan": use value, unit, count, degrees, time_us, status`,
		`(?P<value>\d+`:            "pattern is no regular expression: error parsing regexp: missing closing ): `(?P<value>\\d+`",
	} {
		if _, err := NewLineDecoder(pattern, false, UnitMM); err == nil || err.Error() != want {
			t.Errorf("%q: %v\nwant %s", pattern, err, want)
		}
	}
	for pattern, want := range map[string]string{
		`(?P<value>\d+)`:                  "pattern lacks the named group (?P<count>…) or (?P<degrees>…)",
		`(?P<count>\d+) (?P<degrees>\d+)`: "pattern has both count and degrees: keep the one to be used",
	} {
		if _, err := NewLineDecoder(pattern, true, UnitNone); err == nil || err.Error() != want {
			t.Errorf("%q: %v\nwant %s", pattern, err, want)
		}
	}
	if _, _, err := New(Settings{Format: "morse"}); !errors.Is(err, ErrFormat) {
		t.Errorf("unknown format: %v", err)
	}
}

func TestFramer(t *testing.T) {
	type line struct {
		text  string
		at    int64
		burst int
		cut   Cut
	}
	for _, c := range []struct {
		name   string
		framer Framer
		reads  []string
		want   []line
	}{
		{"CR, LF, CR LF and empty lines", synced("8N1"), []string{"1\r2\n3\r\n\r\n\n4\r"},
			[]line{{"1", 1, 0, 0}, {"2", 1, 1, 0}, {"3", 1, 2, 0}, {"4", 1, 3, 0}}},
		{"stamped at the first byte", synced("8N1"), []string{"1", "2", "\r\n3\r", "\n4\r"},
			[]line{{"12", 1, 0, 0}, {"3", 3, 0, 0}, {"4", 4, 0, 0}}},
		{"the first line may lack its head", NewLineFramer(Serial{8, 'N', 1}), []string{"345\r\n7\r\n"},
			[]line{{"345", 1, 0, CutPartial}, {"7", 1, 1, 0}}},
		{"seven bits with parity", synced("7E1"), []string{"\xb1\xb2\x8d"}, []line{{"12", 1, 0, 0}}},
		{"seven bits, parity taken off by the port", synced("7E1"), []string{"12\r"}, []line{{"12", 1, 0, 0}}},
		{"a wrong parity spoils its line", synced("7E1"), []string{"\xb1\x32\x8d\xb1\xb2\x8d"},
			[]line{{"12", 1, 0, CutNoise}, {"12", 1, 1, 0}}},
		{"once parity came along its absence is wrong", synced("7O1"), []string{"\x30\x0d\xb0\x0d\x30\x0d\x31\x0d"},
			[]line{{"0", 1, 0, 0}, {"0", 1, 1, 0}, {"0", 1, 2, CutNoise}, {"1", 1, 3, 0}}},
		{"a sign that became a line end", synced("7E1"), []string{"\xb1\x8d\x0d\xb1\x8d\xb2\x8d"},
			[]line{{"1", 1, 0, 0}, {"1", 1, 1, CutNoise}, {"2", 1, 2, 0}}},
		{"eight bits are kept", synced("8N1"), []string{"\xb1\r"}, []line{{"\xb1", 1, 0, 0}}},
		{"a NUL spoils its line only", synced("8N1"), []string{"1\x002\r3\r\x004\r5\r"},
			[]line{{"12", 1, 0, CutNoise}, {"3", 1, 1, 0}, {"4", 1, 2, CutNoise}, {"5", 1, 3, 0}}},
		{"no end in sight", synced("8N1"), []string{strings.Repeat("9", 600), "\r1\r"},
			[]line{{strings.Repeat("9", MaxFrame), 1, 0, CutTooLong}, {strings.Repeat("9", MaxFrame), 1, 1, CutTooLong}, {"1", 2, 0, 0}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := frames(c.framer, c.reads...)
			if len(got) != len(c.want) {
				t.Fatalf("got %d lines %+v, want %d", len(got), got, len(c.want))
			}
			for i, w := range c.want {
				if g := (line{string(got[i].Bytes), got[i].AtNS, got[i].Burst, got[i].Cut}); g != w {
					t.Errorf("line %d: %+v, want %+v", i, g, w)
				}
			}
		})
	}
}

// A line that stops in its middle must not join what comes after the pause:
// "1" and "2.345" would make a believable 12.345.
func TestSilenceCutsHalfALine(t *testing.T) {
	f := synced("8N1")
	var got []Frame
	keep := func(l Frame) { l.Bytes = bytes.Clone(l.Bytes); got = append(got, l) }
	f.Push([]byte("1"), 1, keep)
	f.Silence(keep)
	f.Push([]byte("2.345\r"), 2, keep)
	f.Push([]byte("\x00"), 3, keep)
	f.Silence(keep)
	f.Push([]byte("7\r"), 4, keep)
	want := []Cut{CutPartial, CutNone, CutNoise, CutNone}
	for i, w := range want {
		if i >= len(got) || got[i].Cut != w {
			t.Fatalf("got %+v, want cuts %v", got, want)
		}
	}
	if string(got[1].Bytes) != "2.345" {
		t.Errorf("after the pause: %q", got[1].Bytes)
	}
}

func TestParseSerial(t *testing.T) {
	for _, s := range []string{"8N1", "7E1", "7E2", "8E1", "7O1", "8N2"} {
		if got, err := ParseSerial(s); err != nil || got.String() != s {
			t.Errorf("%s: %v, %v", s, got, err)
		}
	}
	for _, s := range []string{"", "8n1", "9N1", "8N0", "8N3", "8M1", "8N1.5"} {
		if _, err := ParseSerial(s); err == nil {
			t.Errorf("%q was taken", s)
		}
	}
}

// What was written in any dress comes back as the same number.
func TestNumbersComeBack(t *testing.T) {
	d := mustDecoder(t, lengthPattern, false)
	rapid.Check(t, func(t *rapid.T) {
		ticks := rapid.Int64Range(-999_999, 999_999).Draw(t, "ticks")
		decimals := rapid.IntRange(3, 6).Draw(t, "decimals")
		digits := fmt.Sprintf("%0*d", decimals+1, max(ticks, -ticks))
		point := rapid.SampledFrom([]string{".", ","}).Draw(t, "point")
		sign := rapid.SampledFrom([]string{"", "+"}).Draw(t, "sign")
		if ticks < 0 {
			sign = "-"
		}
		blank := rapid.SampledFrom([]string{"", " ", "   "}).Draw(t, "blank")
		unit := rapid.SampledFrom([]string{"", "mm", " mm"}).Draw(t, "unit")
		line := blank + sign + blank + digits[:len(digits)-decimals] + point + digits[len(digits)-decimals:] + unit + blank
		v, err := d.Decode([]byte(line))
		if want := (Value{Ticks: ticks, Decimals: int8(decimals), Unit: UnitMM}); err != nil || v != want {
			t.Fatalf("%q: %+v, %v; want %+v", line, v, err, want)
		}
	})
}

// However the bytes are cut into Reads, the same lines come out.
func TestReadsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOfN(rapid.SampledFrom([]rune("12.-\r\n\x00 E")), 0, 80, -1).Draw(t, "text")
		cuts := rapid.SliceOfN(rapid.IntRange(1, 9), 0, 80).Draw(t, "cuts")
		whole := frames(synced("8N1"), text)
		var parts []string
		for rest := text; rest != ""; {
			n := len(rest)
			if len(cuts) > 0 {
				n, cuts = min(n, cuts[0]), cuts[1:]
			}
			parts, rest = append(parts, rest[:n]), rest[n:]
		}
		split := frames(synced("8N1"), parts...)
		if len(whole) != len(split) {
			t.Fatalf("%d lines whole, %d cut", len(whole), len(split))
		}
		for i := range whole {
			if !bytes.Equal(whole[i].Bytes, split[i].Bytes) || whole[i].Cut != split[i].Cut {
				t.Fatalf("line %d: %q whole, %q cut", i, whole[i].Bytes, split[i].Bytes)
			}
		}
	})
}
