package acquire

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"regexp"
	"time"

	"crownmark/acquire/wire"
)

// Talk is what was heard on a port at one speed and frame.
type Talk struct {
	Baud   int
	Frame  string
	Bytes  int
	Lines  []string // whole lines, in order, talkLines at most
	RateHz float64  // lines a second
	Nuls   int      // characters that the port could not make out

	high      int  // bytes with the eighth bit set
	even, odd bool // all bytes have an even, an odd number of ones
}

const talkLines = 200

// Listen hears what comes on a port for a while and sends nothing. The error
// is a *PortError.
func Listen(ctx context.Context, path string, baud int, frame string, d time.Duration) (Talk, error) {
	shape, err := wire.ParseSerial(frame)
	if err != nil {
		return Talk{}, err
	}
	p, err := openPort(defaultPortSys(), path, baud, shape, readTimeout)
	if err != nil {
		return Talk{}, err
	}
	t, err := listenTo(ctx, p, shape, d)
	t.Baud, t.Frame = baud, frame
	return t, errors.Join(err, p.close())
}

func listenTo(ctx context.Context, p rawPort, shape wire.Serial, d time.Duration) (t Talk, err error) {
	framer := wire.NewLineFramer(shape)
	t.even, t.odd = true, true
	var first, last int64
	buf := make([]byte, 1024)
	start := time.Now()
	for time.Since(start) < d && ctx.Err() == nil {
		n, err := p.read(buf)
		if err != nil {
			return t, err
		}
		t.count(buf[:n])
		framer.Push(buf[:n], time.Since(start).Nanoseconds(), func(f wire.Frame) {
			if f.Cut != wire.CutNone || len(t.Lines) == talkLines {
				return
			}
			if last = f.AtNS; len(t.Lines) == 0 {
				first = last
			}
			t.Lines = append(t.Lines, string(f.Bytes))
		})
	}
	if last > first {
		t.RateHz = float64(len(t.Lines)-1) / (float64(last-first) / 1e9)
	}
	return t, ctx.Err()
}

func (t *Talk) count(b []byte) {
	t.Bytes += len(b)
	t.Nuls += bytes.Count(b, []byte{0})
	for _, c := range b {
		if c >= 0x80 {
			t.high++
		}
		if ones := bits.OnesCount8(c); ones%2 == 0 {
			t.odd = false
		} else {
			t.even = false
		}
	}
}

// Found is what a port's talk was recognised as. Kind "" means that nothing
// was: Talk shows what was heard.
type Found struct {
	Kind         Kind
	Pattern      string
	Unit         string  // indicators: what their lines say, else "mm"
	ResolutionMM float64 // indicators: the last digit shown
	Talk         Talk
}

// dress is one way of writing readings.
type dress struct {
	kind    Kind
	pattern string
	match   *regexp.Regexp
}

// dresses are tried in this order.
func dresses() []dress {
	list := []dress{
		{kind: KindEncoder, pattern: `^(?P<count>[-+]?\d+)$`},
		{kind: KindEncoder, pattern: `^[A-Za-z]\s*(?P<count>[-+]?\d+)$`},
		{kind: KindEncoder, pattern: `^(?P<count>[-+]?\d+)[\s,;]+(?P<time_us>\d{6,})$`},
		{kind: KindEncoder, pattern: `^\s*(?P<degrees>[-+]?\s*\d+[.,]?\d*)\s*(?:deg|DEG|°)\s*$`},
		{kind: KindIndicator, pattern: `^\s*(?P<value>[-+]?\s*\d+[.,]?\d*)\s*(?P<unit>mm|in)?\s*$`},
		{kind: KindIndicator, pattern: `^(?P<status>\w{2,3})(?P<value>[-+]\s*\d+[.,]\d*)\s*(?P<unit>mm|in)?\s*$`},
		{kind: KindIndicator, pattern: `^(?P<status>[A-Za-z]{1,3})\s+(?P<value>[-+]?\s*\d+[.,]\d*)\s*(?P<unit>mm|in)?\s*$`},
	}
	for i := range list {
		list[i].match = regexp.MustCompile(list[i].pattern)
	}
	return list
}

// recognise finds the dress that nearly all lines wear.
func recognise(lines []string) (f Found) {
	for _, d := range dresses() {
		decoder, err := wire.NewLineDecoder(d.pattern, d.kind == KindEncoder, UnitMM)
		if err != nil {
			continue
		}
		fit, of := 0, 0
		var last wire.Value
		for _, line := range lines {
			v, err := decoder.Decode([]byte(line))
			if errors.Is(err, wire.ErrInstrument) {
				continue
			}
			if of++; err == nil {
				fit, last = fit+1, v
			}
		}
		if fit == 0 || fit < of*9/10 {
			continue
		}
		f.Kind, f.Pattern = d.kind, d.pattern
		if d.kind == KindIndicator {
			f.Unit, f.ResolutionMM = "mm", math.Pow10(-int(last.Decimals))
			if last.Unit == UnitInch {
				f.Unit, f.ResolutionMM = "in", f.ResolutionMM*wire.MMPerInch
			}
		}
		return f
	}
	return f
}

// ErrSilent is what Recognise says of a port on which nothing came.
var ErrSilent = errors.New("nothing was heard")

// likelySpeeds are tried in this order.
var likelySpeeds = [...]int{9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200, 230400}

// Recognise listens on a port at each likely speed and frame, for so long
// each, until what it hears can be read. It sends nothing, so that an
// instrument that speaks only when asked stays silent: ErrSilent. Other errors
// are a *PortError or the context's.
func Recognise(ctx context.Context, path string, each time.Duration) (Found, error) {
	var best Found
	for _, baud := range likelySpeeds {
		frames := []string{"8N1"}
		for i := 0; i < len(frames); i++ {
			t, err := Listen(ctx, path, baud, frames[i], each)
			if err != nil {
				return best, err
			}
			if t.Bytes == 0 {
				return Found{Talk: t}, fmt.Errorf("port %s: %w in %v: switch the instrument on; if it speaks only when asked or when a button is pressed, press it now, or give \"request\" in the bench file", path, ErrSilent, each)
			}
			f := recognise(t.Lines)
			f.Talk = t
			if f.Kind != "" {
				return f, nil
			}
			if best.Talk.Bytes == 0 || len(t.Lines) > len(best.Talk.Lines) {
				best = f
			}
			if i == 0 {
				frames = append(frames, t.otherFrames()...)
			}
		}
	}
	return best, nil
}

// otherFrames are the frames that would explain what 8N1 heard.
func (t *Talk) otherFrames() []string {
	switch {
	case t.high > 0 && t.even:
		return []string{"7E1"}
	case t.high > 0 && t.odd:
		return []string{"7O1"}
	case t.Nuls*10 > t.Bytes:
		return []string{"8E1", "8O1"}
	}
	return nil
}
