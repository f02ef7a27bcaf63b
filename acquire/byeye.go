package acquire

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"crownmark/acquire/wire"
)

// Formats of what a person reads: there is no port, and nothing to be decoded
// but what is typed.
const (
	FormatMarks = "marks" // an encoder's place is taken by the damper's own degree marks
	FormatTyped = "typed" // a display, read by eye and typed
)

// ByEye tells that a person reads it.
func (c InstrumentConfig) ByEye() bool { return c.Format == FormatMarks || c.Format == FormatTyped }

// A mark read by eye is good to 0.2°; worse than 5° it is of no use.
const (
	usualAngleUDeg = 0.2
	mostAngleUDeg  = 5.0
)

// PlainDial is the name of an indicator that nobody described.
const PlainDial = "dial"

// What a person may have asked in vain.
var (
	ErrNoHandSweep = errors.New("no such sweep is being read")
	ErrMisread     = errors.New("this cannot be so")
	ErrUnsteady    = errors.New("the display does not stand still")
	ErrNothingRead = errors.New("nothing has been read yet")
)

// Misread is an ErrMisread: what of a request cannot be so, and what to do.
type Misread struct {
	Of          string // "mark", "height", "job", "cylinder", "direction" or "angle_u_deg"
	Detail, Fix string
}

func (m *Misread) Error() string { return m.Detail + ": " + m.Fix }

// Is makes errors.Is(err, ErrMisread) true.
func (m *Misread) Is(target error) bool { return target == ErrMisread }

func misread(of, fix, detail string, args ...any) error {
	return &Misread{of, fmt.Sprintf(detail, args...), fix}
}

// checkByEye is CheckInstrument for what a person reads.
func checkByEye(c InstrumentConfig) (found []Problem) {
	add := func(key, detail, fix string) { found = append(found, Problem{key, detail, fix}) }
	if c.Port != "" {
		add("port", fmt.Sprintf("format %q needs none: a person reads it", c.Format), "leave it out, or write the format of what stands on that port")
	}
	switch {
	case c.Format == FormatMarks && c.Kind != KindEncoder:
		add("format", "degree marks show no heights", fmt.Sprintf("write format = %q for a display that is read by eye", FormatTyped))
	case c.Format == FormatTyped && c.Kind == KindEncoder:
		add("format", "angles are read off degree marks", fmt.Sprintf("write format = %q where there is no encoder", FormatMarks))
	}
	if !(c.AngleUDeg >= 0 && c.AngleUDeg <= mostAngleUDeg) {
		add("angle_u_deg", fmt.Sprintf("%g° cannot be", c.AngleUDeg), "write how well an eye reads the marks, 0.2 for fine ones, or leave it out")
	}
	if c.Direction != 1 && c.Direction != -1 {
		add("direction", fmt.Sprintf("%d is neither 1 nor -1", c.Direction), "write 1, or -1 where it counts the other way")
	}
	if c.Kind == KindEncoder {
		return found
	}
	return append(found, checkIndicator(c)...)
}

// marksConfig is what is kept of angles that a person read.
func marksConfig(angleUDeg float64) InstrumentConfig {
	return InstrumentConfig{Kind: KindEncoder, Name: FormatMarks, Format: FormatMarks, Direction: 1, AngleUDeg: angleUDeg}
}

func dialConfig() InstrumentConfig {
	return InstrumentConfig{Kind: KindIndicator, Name: PlainDial, Format: FormatTyped, Direction: 1, Unit: "mm"}
}

const (
	typedAngle  = `^\s*(?P<degrees>[-+]?\d*[.,]?\d*)\s*°?\s*$`
	typedHeight = `^\s*(?P<value>[-+]?\d*[.,]?\d*)\s*(?P<unit>mm|in|inch|")?\s*$`
)

// typed reads what somebody wrote, a decimal number with point or comma.
func typed(text string, c InstrumentConfig) (Reading, error) {
	of, pattern, unit, like := "height", typedHeight, UnitMM, "0.125 or 0.005 in"
	if c.Unit == "in" {
		unit = UnitInch
	}
	if c.Kind == KindEncoder {
		of, pattern, like = "mark", typedAngle, "-12 or 7.5, negative before the top"
	}
	d, err := wire.NewLineDecoder(pattern, c.Kind == KindEncoder, unit)
	if err != nil {
		return Reading{}, err // cannot be: the patterns stand above
	}
	v, err := d.Decode([]byte(text))
	if errors.Is(err, wire.ErrRange) {
		return Reading{}, misread(of, "look at the decimal point and the unit", "%q is beyond what any instrument shows", text)
	}
	if err != nil {
		return Reading{}, misread(of, "write one such as "+like, "%q is no plain number", text)
	}
	return Reading{Ticks: v.Ticks, Decimals: v.Decimals, Unit: v.Unit, Raw: []byte(strings.TrimSpace(text))}, nil
}

// What no reading can be.
const (
	mostMarkDeg  = 360.0
	mostHeightMM = 150.0 // no indicator on a piston travels so far
	mostMMPerDeg = 1.5   // no piston moves so much a degree: 110 mm of stroke move 1.0, a slanting probe a quarter more
	mostWobbleMM = 0.5   // besides, for what the eye and the hand add
	sameAngleDeg = 1e-9
)

const orTakeBack = "; if the one before was wrong, take that back"

// senseOfMark refuses a mark that the crank cannot have come to.
func (h *handRun) senseOfMark(deg float64) error {
	if math.Abs(deg) > mostMarkDeg {
		return misread("mark", "write degrees as on the damper, negative before the top", "a mark at %g° cannot be", deg)
	}
	if len(h.taken) == 0 {
		return nil
	}
	last := h.taken[len(h.taken)-1].MarkDeg
	switch went := float64(h.direction) * (deg - last); {
	case math.Abs(went) < sameAngleDeg:
		return misread("mark", "turn to the next one", "the mark at %g° was read already", deg)
	case went < -180:
		return misread("mark", fmt.Sprintf("go on counting past 180: %g instead of %g", deg+360*float64(h.direction), deg), "from %g° to %g° is a turn the other way", last, deg)
	case went < 0:
		return misread("mark", "another direction is another sweep"+orTakeBack, "from %g° to %g° is turning %s, and this sweep goes %s",
			last, deg, wayWords(-h.direction), wayWords(h.direction))
	}
	return nil
}

// senseOfHeight refuses a height that the piston cannot have come to.
func (h *handRun) senseOfHeight(deg, mm float64) error {
	if math.Abs(mm) > mostHeightMM {
		return misread("height", "look at the decimal point and the unit", "%g mm is beyond the travel of any indicator", mm)
	}
	if len(h.taken) == 0 {
		return nil
	}
	last := h.taken[len(h.taken)-1]
	if most := mostMMPerDeg*math.Abs(deg-last.MarkDeg) + mostWobbleMM; math.Abs(mm-last.HeightMM) > most {
		return misread("height", "look at the decimal point, the unit, and the mark"+orTakeBack, "from %.3f mm at %g° to %.3f mm at %g° no piston moves",
			last.HeightMM, last.MarkDeg, mm, deg)
	}
	return nil
}

func wayWords(direction int) string {
	if direction < 0 {
		return "back"
	}
	return "in running direction"
}
