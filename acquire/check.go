package acquire

import (
	"fmt"
	"slices"
	"strings"

	"crownmark/acquire/wire"
)

// Problem is one thing wrong with an instrument's configuration: the key of
// the bench file it stands under, what is wrong, and what to do.
type Problem struct {
	Key, Detail, Fix string
}

func (p Problem) Error() string { return fmt.Sprintf("%s: %s: %s", p.Key, p.Detail, p.Fix) }

// speeds are the ones that instruments talk at.
var speeds = [...]int{300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 115200, 230400, 460800, 921600}

// CheckInstrument lists what is wrong with a configuration; nothing means that
// it can be opened.
func CheckInstrument(c InstrumentConfig) (found []Problem) {
	if c.ByEye() {
		return checkByEye(c)
	}
	add := func(key, detail, fix string) { found = append(found, Problem{key, detail, fix}) }
	if c.Port == "" {
		add("port", "missing", "name the serial port; "+seePorts)
	}
	if !slices.Contains(speeds[:], c.Baud) {
		add("baud", fmt.Sprintf("%d is no speed that instruments use", c.Baud), "take the one in its manual, such as 9600")
	}
	if _, err := wire.ParseSerial(c.Frame); err != nil {
		add("frame", fmt.Sprintf("%q is none", c.Frame), `write data bits 7 or 8, parity N, E or O, stop bits 1 or 2, as in "8N1"`)
	}
	found = append(found, checkFormat(c)...)
	if c.Direction != 1 && c.Direction != -1 {
		add("direction", fmt.Sprintf("%d is neither 1 nor -1", c.Direction), "write 1, or -1 where it counts the other way")
	}
	if c.Kind == KindEncoder {
		return append(found, checkEncoder(c)...)
	}
	return append(found, checkIndicator(c)...)
}

const (
	wordHighFirst = "high-first"
	wordLowFirst  = "low-first"
)

func checkFormat(c InstrumentConfig) []Problem {
	switch c.Format {
	case wire.FormatLine:
		if _, err := wire.NewLineDecoder(c.Pattern, c.Kind == KindEncoder, UnitMM); err != nil {
			return []Problem{{"pattern", err.Error(), "correct it by what the instrument sends"}}
		}
		return nil
	case wire.FormatBCD:
		return checkBCD(c)
	case wire.FormatModbus:
		return checkModbus(c)
	}
	return []Problem{{"format", fmt.Sprintf("%q is none", c.Format), "use one of " + strings.Join(wire.Formats(), ", ")}}
}

func checkBCD(c InstrumentConfig) (found []Problem) {
	if _, err := wire.NewBCDDecoder(c.Encoding, c.Kind == KindEncoder); err != nil {
		found = append(found, Problem{"encoding", fmt.Sprintf("%q is neither hex nor packed", c.Encoding), `write "hex" for 13 hexadecimal digits a line, "packed" for 7 bytes`})
	} else if c.Encoding == wire.EncodingPacked {
		found = eightBits(c)
	}
	return found
}

func checkModbus(c InstrumentConfig) (found []Problem) {
	add := func(key, detail, fix string) { found = append(found, Problem{key, detail, fix}) }
	if c.UnitID < 1 || c.UnitID > 247 {
		add("unit_id", fmt.Sprintf("%d cannot be", c.UnitID), "write 1 to 247, as set at the instrument")
	}
	if c.Function != 3 && c.Function != 4 {
		add("function", fmt.Sprintf("%d cannot be", c.Function), "write 3 for holding registers or 4 for input registers")
	}
	if c.Register < 0 || c.Register > 0xFFFF {
		add("register", fmt.Sprintf("%d cannot be", c.Register), "write 0 to 65535; a manual that counts from 40001 or 30001 means 0 by that")
	}
	if !slices.Contains(wire.ModbusTypes(), c.Type) {
		add("type", fmt.Sprintf("%q cannot be", c.Type), "write one of "+strings.Join(wire.ModbusTypes(), ", "))
	}
	if c.WordOrder != wordHighFirst && c.WordOrder != wordLowFirst {
		add("word_order", fmt.Sprintf("%q cannot be", c.WordOrder), `write "high-first" or "low-first"`)
	}
	if s, err := c.wire(); err == nil && len(found) == 0 {
		if _, err := wire.NewModbusDecoder(s.Modbus, c.Kind == KindEncoder); err != nil {
			add("scale", fmt.Sprintf("%g cannot be", c.Scale), "write what one step of the register is worth, in mm or counts, up to 1e6 and with nine decimals at most, such as 0.001")
		}
	}
	if c.Kind == KindIndicator && c.Unit == "in" {
		add("unit", "a register times scale is in mm", `leave unit out, and write scale in mm: 25.4 times what it is in inches`)
	}
	if c.Request != "" {
		add("request", "modbus-rtu asks by itself", "leave it out")
	}
	return append(found, eightBits(c)...)
}

// eightBits: bytes need all of them.
func eightBits(c InstrumentConfig) []Problem {
	if shape, err := wire.ParseSerial(c.Frame); err == nil && shape.DataBits != 8 {
		return []Problem{{"frame", fmt.Sprintf("%q leaves no room for the eighth bit of its bytes", c.Frame), `write "8N1", or "8E1" if its manual says so`}}
	}
	return nil
}

func checkEncoder(c InstrumentConfig) (found []Problem) {
	if !(c.CountsPerRev > 0) || c.CountsPerRev > 1e9 {
		found = append(found, Problem{"counts_per_rev", fmt.Sprintf("%g counts a turn cannot be", c.CountsPerRev), "write how many counts one turn of the crank gives, such as 7200"})
	}
	if c.AngleUDeg != 0 {
		found = append(found, Problem{"angle_u_deg", fmt.Sprintf("only degree marks are read to %g°", c.AngleUDeg), fmt.Sprintf("leave it out, or write format = %q where there is no encoder", FormatMarks)})
	}
	return append(found, checkRequest(c)...)
}

func checkIndicator(c InstrumentConfig) (found []Problem) {
	if c.Name == "" {
		found = append(found, Problem{"name", "missing", `give the indicator a name, such as "left"`})
	}
	if c.Unit != "mm" && c.Unit != "in" {
		found = append(found, Problem{"unit", fmt.Sprintf("%q is neither mm nor in", c.Unit), `write "mm" or "in"`})
	}
	if c.ResolutionMM < 0 || c.ResolutionMM > 1 {
		found = append(found, Problem{"resolution_mm", fmt.Sprintf("%g mm cannot be", c.ResolutionMM), "write the display's last digit in mm, such as 0.001"})
	}
	return append(found, checkRequest(c)...)
}

func checkRequest(c InstrumentConfig) []Problem {
	if asks := c.Request != "" || c.Format == wire.FormatModbus; asks && (c.IntervalMS < 5 || c.IntervalMS > 60_000) {
		return []Problem{{"interval_ms", fmt.Sprintf("%d ms cannot be kept", c.IntervalMS), "write how often to ask, from 5 to 60000"}}
	}
	return nil
}

// CheckConfig lists what is wrong with a bench as a whole, each instrument
// apart. The key is the instrument's name and the key in its table.
func CheckConfig(c Config) (found []Problem) {
	all := append([]InstrumentConfig{c.Encoder}, c.Indicators...)
	names := map[string]bool{}
	for i, one := range all {
		label := one.Name
		if label == "" {
			label = fmt.Sprintf("indicator %d", i)
		}
		for _, p := range CheckInstrument(one) {
			found = append(found, Problem{label + ": " + p.Key, p.Detail, p.Fix})
		}
		if names[one.Name] {
			found = append(found, Problem{label + ": name", "two instruments have it", "give each its own"})
		}
		names[one.Name] = true
		found = append(found, checkShared(label, one, all[:i])...)
	}
	if n := len(c.Indicators); n == 0 || n > maxIndicators {
		found = append(found, Problem{"indicator", fmt.Sprintf("there are %d", n), fmt.Sprintf("a bench has 1 to %d", maxIndicators)})
	}
	return append(found, checkSweep(c.Sweep)...)
}

// checkShared compares an instrument with those before it on the same port.
func checkShared(label string, one InstrumentConfig, before []InstrumentConfig) []Problem {
	for _, b := range before {
		switch {
		case b.Port != one.Port || one.Port == "":
		case b.Baud != one.Baud || b.Frame != one.Frame || b.Format != one.Format:
			return []Problem{{label + ": port", fmt.Sprintf("it is shared with %s, but baud, frame or format differ", b.Name), "one port has one of each: make them equal"}}
		case one.Format == wire.FormatBCD:
			return []Problem{{label + ": port", fmt.Sprintf("it is shared with %s, and a frame does not say whose it is", b.Name), "give each its own port"}}
		case one.Format == wire.FormatModbus && b.registers() == one.registers():
			return []Problem{{label + ": register", fmt.Sprintf("it reads the same as %s", b.Name), "give each its own unit_id or register"}}
		}
	}
	return nil
}

// registers is where a Modbus value stands.
func (c InstrumentConfig) registers() [3]int { return [3]int{c.UnitID, c.Function, c.Register} }

func checkSweep(s SweepConfig) (found []Problem) {
	for _, v := range []struct {
		key      string
		value    float64
		zeroToo  bool
		greatest float64
		like     string
	}{
		{"idle_s", s.IdleS, false, 3600, "30"}, {"motion_deg", s.MotionDeg, false, 10, "0.3"},
		{"reversal_deg", s.ReversalDeg, false, 45, "1.0"}, {"contact_mm", s.ContactMM, false, 5, "0.02"},
		{"min_span_deg", s.MinSpanDeg, true, 360, "6"}, {"window_deg", s.WindowDeg, true, 180, "60"},
	} {
		if !(v.value >= 0) || v.value == 0 && !v.zeroToo || v.value > v.greatest {
			found = append(found, Problem{"sweep: " + v.key, fmt.Sprintf("%g cannot be", v.value), fmt.Sprintf("write a number up to %g, such as %s", v.greatest, v.like)})
		}
	}
	return found
}
