package acquire

import (
	"errors"
	"math"

	"crownmark/acquire/wire"
)

// Found is an instrument that was recognised by what it says.
type Found struct {
	// Kind is what the dress of its readings says; "" where it says nothing
	// (registers), so that only moving it tells.
	Kind         Kind
	Config       InstrumentConfig // port, baud, frame, format and its keys
	ResolutionMM float64          // lengths: the last digit shown
	RateHz       float64          // readings a second
	Last         string           // the last reading as it came, for people
	Raw          []byte           // likewise, for Watching
	Readings     int              // heard
}

// dress is one way of writing readings.
type dress struct {
	kind     Kind
	format   string
	pattern  string
	encoding string
}

// dresses are tried in this order; where two explain as much, the first is
// taken.
func dresses() []dress {
	list := []dress{
		{kind: KindEncoder, pattern: `^(?P<count>[-+]?\d+)$`},
		{kind: KindEncoder, pattern: `^[A-Za-z]\s*(?P<count>[-+]?\d+)$`},
		{kind: KindEncoder, pattern: `^(?P<count>[-+]?\d+)[\s,;]+(?P<time_us>\d{6,})$`},
		{kind: KindEncoder, pattern: `^\s*(?P<degrees>[-+]?\s*\d+[.,]?\d*)\s*(?:deg|DEG|°)\s*$`},
		{kind: KindIndicator, pattern: `^\s*(?P<value>[-+]?\s*\d+[.,]?\d*)\s*(?P<unit>mm|in)?\s*$`},
		{kind: KindIndicator, pattern: `^(?P<status>\w{2,3})(?P<value>[-+]\s*\d+[.,]\d*)\s*(?P<unit>mm|in)?\s*$`},
		{kind: KindIndicator, pattern: `^(?P<status>[A-Za-z]{1,3})\s+(?P<value>[-+]?\s*\d+[.,]\d*)\s*(?P<unit>mm|in)?\s*$`},
		{kind: KindEncoder, pattern: `^[A-Za-z]\s*(?P<count>[-+]?\d+)[\s,;]+(?P<time_us>\d{6,})$`},
		{kind: KindEncoder, pattern: `^[A-Za-z]?\s*(?P<count>[-+]?\d+)\s*(?P<status>Z|I|INDEX)?$`},
	}
	for i := range list {
		list[i].format = wire.FormatLine
	}
	return append(list, dress{kind: KindIndicator, format: wire.FormatBCD, encoding: wire.EncodingHex},
		dress{kind: KindIndicator, format: wire.FormatBCD, encoding: wire.EncodingPacked})
}

func (d dress) config(shape wire.Serial) InstrumentConfig {
	return InstrumentConfig{Kind: d.kind, Frame: shape.String(), Format: d.format, Pattern: d.pattern, Encoding: d.encoding, Unit: "mm", Direction: 1}
}

// fitting is how well a dress explains a talk.
type fitting struct {
	dress
	shape       wire.Serial
	good, wrong int
	bytes       int // in readings and errors
	last        wire.Value
	raw         []byte
	from, to    int64  // when its readings came
	own         []bool // of each line: it is a reading
}

// try reads a talk in a dress. Errors that the instrument reports itself, and
// the half of a line at the beginning, speak neither for nor against it.
func (d dress) try(t *Talk, shape wire.Serial) (f fitting) {
	f.dress, f.shape = d, shape
	settings, err := d.config(shape).wire()
	if err != nil {
		return f
	}
	framer, decoder, err := wire.New(settings)
	if err != nil {
		return f
	}
	ends := 2 // of a line, at most
	if d.encoding == wire.EncodingPacked {
		ends = 0
	}
	take := func(one wire.Frame) {
		if one.Cut == wire.CutPartial {
			return
		}
		v, err := decoder.Decode(one.Bytes)
		switch {
		case one.Cut == wire.CutNone && err == nil:
			if f.good++; f.good == 1 {
				f.from = one.AtNS
			}
			f.last, f.to, f.raw = v, one.AtNS, append(f.raw[:0], one.Bytes...)
			f.bytes += len(one.Bytes) + ends
			f.own = append(f.own, true)
		case one.Cut == wire.CutNone && errors.Is(err, wire.ErrInstrument):
			f.bytes += len(one.Bytes) + ends
		default:
			f.wrong++
			f.own = append(f.own, false)
		}
	}
	for _, c := range t.chunks {
		framer.Push(c.b, c.atNS, take)
	}
	return f
}

// explains tells whether nearly all that was heard is readings.
func (f fitting) explains(t *Talk) bool {
	return f.good > 0 && f.good*10 >= (f.good+f.wrong)*9 && f.bytes*2 >= t.Bytes
}

// recognise finds the dress that nearly all readings wear, or two that share
// the port; nothing where none does.
func recognise(t *Talk) []Found {
	var all []fitting
	best := -1
	for _, shape := range t.shapes() {
		for _, d := range dresses() {
			f := d.try(t, shape)
			all = append(all, f)
			if f.explains(t) && (best < 0 || f.good > all[best].good) {
				best = len(all) - 1
			}
		}
	}
	if shared := sharedBy(all, t); best < 0 || all[best].wrong >= readingsFew && shared != nil {
		return shared
	}
	return []Found{all[best].found(t)}
}

// sharedBy finds an encoder and an indicator whose lines come on one port: each
// line is one's or the other's.
func sharedBy(all []fitting, t *Talk) []Found {
	for _, e := range all {
		for _, i := range all {
			if e.format != wire.FormatLine || i.format != wire.FormatLine || e.kind != KindEncoder || i.kind != KindIndicator ||
				e.shape != i.shape || len(e.own) != len(i.own) {
				continue
			}
			one, both := 0, 0
			for n := range e.own {
				if e.own[n] && i.own[n] {
					both++
				} else if e.own[n] || i.own[n] {
					one++
				}
			}
			if both == 0 && one*10 >= len(e.own)*9 && min(e.good, i.good) >= readingsFew {
				return []Found{e.found(t), i.found(t)}
			}
		}
	}
	return nil
}

func (f fitting) found(t *Talk) Found {
	out := Found{Kind: f.kind, Config: f.config(f.shape), Readings: f.good}
	out.Config.Baud = t.Baud
	out.Last, out.Raw = out.Config.RawText(f.raw), f.raw
	if f.to > f.from {
		out.RateHz = float64(f.good-1) / (float64(f.to-f.from) / 1e9)
	}
	if f.kind == KindIndicator {
		out.ResolutionMM = math.Pow10(-int(f.last.Decimals))
		if f.last.Unit == UnitInch {
			out.Config.Unit, out.ResolutionMM = "in", out.ResolutionMM*wire.MMPerInch
		}
	}
	return out
}
