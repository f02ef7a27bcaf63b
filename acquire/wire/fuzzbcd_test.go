package wire

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"testing"
)

func FuzzBCDHex(f *testing.F) {
	f.Add([]byte("FFFF021076540\r\nFFFF801234530\rERR2\rFFFF0000A2330\n"), byte(1))
	f.Add([]byte("ffff800000131\nFFFF000012360\n FFFF000012330\n"), byte(9))
	shape := Serial{8, ParityNone, 1}
	d := mustBCD(f, EncodingHex, false)
	f.Fuzz(func(t *testing.T, b []byte, piece byte) {
		compare(t, b, heardOf(t, NewLineFramer(shape), d, b, int(piece)), keep(slowLines(b, shape), slowBCD))
	})
}

func FuzzBCDPacked(f *testing.F) {
	f.Add([]byte(goodPacked+goodPacked), byte(1))
	f.Add([]byte("\xFF"+goodPacked+goodPacked[:3]+goodPacked), byte(2))
	f.Add([]byte(goodPacked[2:]+"\xFF\xFF\x80\x99\x99\x93\x10"), byte(7))
	d := mustBCD(f, EncodingPacked, false)
	f.Fuzz(func(t *testing.T, b []byte, piece byte) {
		compare(t, b, heardOf(t, NewPackedFramer(), d, b, int(piece)), keep(slowPacked(b), slowBCD))
	})
}

var (
	slowFrame = regexp.MustCompile(`^(?i:ffff)([08])([0-9]{6})([0-5])([01])$`)
	slowHead  = regexp.MustCompile(`(?:ff){2}(?:[0-9a-e][0-9a-f]|f[0-9a-e]){5}`)
)

func slowBCD(text string) (s slow, ok bool) {
	m := slowFrame.FindStringSubmatch(text)
	if m == nil {
		return s, false
	}
	digits, decimals := m[2], m[3]
	n, _ := strconv.Atoi(digits)
	if m[1] == "8" {
		n = -n
	}
	s.decimals, _ = strconv.Atoi(decimals)
	if s.unit = UnitMM; m[4] == "1" {
		s.unit = UnitInch
	}
	s.value = new(big.Rat).SetFrac(big.NewInt(int64(n)), tenTo(s.decimals))
	return s, s.fits()
}

// slowPacked finds frames in the hexadecimal text of all bytes.
func slowPacked(b []byte) (frames []string) {
	text := fmt.Sprintf("%x", b)
	for i := 0; i+14 <= len(text); i += 2 {
		if at := slowHead.FindStringIndex(text[i : i+14]); at == nil || at[0] != 0 {
			continue
		}
		if text[i+13] == '0' {
			frames = append(frames, text[i:i+13])
		}
		i += 12
	}
	return frames
}
