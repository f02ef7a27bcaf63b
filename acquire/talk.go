package acquire

import (
	"fmt"
	"strings"

	"crownmark/acquire/wire"
)

// wire is how the instrument talks.
func (c InstrumentConfig) wire() (wire.Settings, error) {
	shape, err := wire.ParseSerial(c.Frame)
	unit := UnitMM
	if c.Unit == "in" {
		unit = UnitInch
	}
	return wire.Settings{Format: c.Format, Serial: shape, Pattern: c.Pattern, Encoder: c.Kind == KindEncoder, Unit: unit, Encoding: c.Encoding,
		Modbus: wire.Modbus{Unit: byte(c.UnitID), Function: byte(c.Function), Register: uint16(c.Register), Type: c.Type,
			LowFirst: c.WordOrder == wordLowFirst, Scale: c.Scale}}, err
}

// RawText is what an instrument sent, for people: lines as they are, bytes in
// hexadecimal.
func (c InstrumentConfig) RawText(raw []byte) string {
	if c.inBytes() {
		return fmt.Sprintf("% X", raw)
	}
	return string(raw)
}

// inBytes: what it sends is no text.
func (c InstrumentConfig) inBytes() bool {
	return c.Format == wire.FormatModbus || c.Format == wire.FormatBCD && c.Encoding == wire.EncodingPacked
}

// whenSilent is what else may be wrong with an instrument that says nothing.
func (c InstrumentConfig) whenSilent() string {
	switch {
	case c.Format == wire.FormatModbus:
		return fmt.Sprintf("it is asked as unit %d: compare unit_id in the bench file with its setting", c.UnitID)
	case c.Request != "":
		return "compare \"request\" in the bench file with its manual"
	}
	return "if it speaks only when asked, give \"request\" in the bench file"
}

// formatKeys are the keys of the bench file that say how its readings look.
func (c InstrumentConfig) formatKeys() string {
	switch c.Format {
	case wire.FormatBCD:
		return "encoding"
	case wire.FormatModbus:
		return "unit_id, function and type"
	}
	return "pattern"
}

// tellsTime: when its readings were made is known from its own clock, which lumps do not reach.
func (c InstrumentConfig) tellsTime() bool {
	return c.Format == wire.FormatLine && strings.Contains(c.Pattern, "(?P<time_us>")
}

// asKept is the configuration as it is kept with a new stream.
func (c InstrumentConfig) asKept() InstrumentConfig {
	c.ArrivalsKept = c.tellsTime()
	return c
}
