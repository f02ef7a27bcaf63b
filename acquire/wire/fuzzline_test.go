package wire

import (
	"math/big"
	"math/bits"
	"strings"
	"testing"
)

func FuzzLine(f *testing.F) {
	for i, s := range []string{"+0012.345 mm\r\n", "-  0,125\r", "ERR3\r", "\x00\xff1\n", "7199\n", "\xb1\xb2\x8d\xb1\x32\x8d", "1\r\n\r\n-2 in\n"} {
		f.Add([]byte(s), byte(i), byte(i))
	}
	f.Add([]byte(strings.Repeat("9", 300)+"\r1\r"), byte(0), byte(3))
	shapes := []Serial{{8, ParityNone, 1}, {7, ParityNone, 1}, {7, ParityEven, 1}, {7, ParityOdd, 1}, {8, ParityEven, 1}}
	length, count := mustDecoder(f, lengthPattern, false), mustDecoder(f, countPattern, true)
	f.Fuzz(func(t *testing.T, b []byte, shape, piece byte) {
		s := shapes[int(shape)%len(shapes)]
		lines := slowLines(b, s)
		compare(t, b, heardOf(t, NewLineFramer(s), length, b, int(piece)), keep(lines, slowLength))
		compare(t, b, heardOf(t, NewLineFramer(s), count, b, int(piece)), keep(lines, slowCount))
	})
}

func keep(lines []string, read func(string) (slow, bool)) (out []slow) {
	for _, l := range lines {
		if s, ok := read(l); ok {
			out = append(out, s)
		}
	}
	return out
}

// slowLines cuts all bytes at once: ends first, then each piece is judged.
func slowLines(b []byte, s Serial) (lines []string) {
	masked := make([]byte, len(b))
	for i, c := range b {
		if masked[i] = c; s.DataBits == 7 {
			masked[i] = c % 128
		}
	}
	carried, from := false, 0 // from: after the last line's end
	for start := 0; ; {
		end := strings.IndexAny(string(masked[start:]), "\r\n")
		if end < 0 {
			return lines
		}
		end += start
		text := strings.ReplaceAll(string(masked[start:end]), "\x00", "")
		nul := strings.Contains(string(masked[from:end]), "\x00")
		if text == "" && !nul {
			start = end + 1 // an empty line: its characters are judged with the next
			continue
		}
		high, right := slowParity(b[from:end+1], s)
		switch {
		case len(text) > MaxFrame:
		case nul, !right && (high || carried):
		default:
			lines = append(lines, text)
		}
		carried = carried || high && right
		start, from = end+1, end+1
	}
}

func slowParity(b []byte, s Serial) (high, right bool) {
	right = true
	if s.DataBits == 8 || s.Parity == ParityNone {
		return false, true
	}
	for _, c := range b {
		ones := bits.OnesCount8(c)
		high = high || c > 127
		right = right && (ones%2 == 0) == (s.Parity == ParityEven)
	}
	return high, right
}

// slowLength reads what lengthPattern stands for, from the outside inwards.
func slowLength(line string) (s slow, ok bool) {
	const blanks = " \t\f"
	text := strings.Trim(line, blanks)
	s.unit = UnitMM
	if inner, is := strings.CutSuffix(text, "in"); is {
		text, s.unit = inner, UnitInch
	} else {
		text = strings.TrimSuffix(text, "mm")
	}
	text = strings.TrimRight(text, blanks)
	sign := ""
	if strings.HasPrefix(text, "+") || strings.HasPrefix(text, "-") {
		sign, text = text[:1], strings.TrimLeft(text[1:], " \t")
	}
	whole, fraction, _ := strings.Cut(strings.Replace(text, ",", ".", 1), ".")
	if whole == "" || strings.Trim(whole+fraction, "0123456789") != "" {
		return s, false
	}
	return s.number(sign+whole+fraction, len(fraction))
}

// number takes all digits and the place of the point.
func (s slow) number(digits string, decimals int) (slow, bool) {
	n, ok := new(big.Int).SetString(digits, 10)
	if !ok || decimals > 15 || new(big.Int).Abs(n).Cmp(tenTo(15)) >= 0 {
		return s, false
	}
	s.value, s.decimals = new(big.Rat).SetFrac(n, tenTo(decimals)), decimals
	return s, s.unit == UnitCount || s.fits()
}

func slowCount(line string) (slow, bool) {
	digits := strings.TrimLeft(line, "+-")
	if len(line)-len(digits) > 1 || digits == "" || strings.Trim(digits, "0123456789") != "" {
		return slow{}, false
	}
	return slow{unit: UnitCount}.number(line, 0)
}
