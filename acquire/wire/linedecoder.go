package wire

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
)

// lineDecoder finds the number in a line. The pattern (a regular expression,
// RE2 syntax) says where that stands.
// Its named groups:
//
//	value    a length, of an indicator
//	unit     its unit, if the line names one
//	count    an encoder's count, a whole number
//	degrees  an encoder's angle, if it tells that instead
//	time_us  the instrument's own clock, in microseconds
//	status   what the instrument says of itself
type lineDecoder struct {
	pattern *regexp.Regexp
	encoder bool
	unit    Unit
	// places of the groups' ends in a match, -1 where the pattern has none
	value, unitAt, count, degrees, timeUS, status int
}

// NewLineDecoder compiles a pattern. The error says what is wrong with it and
// what to do.
func NewLineDecoder(pattern string, encoder bool, unit Unit) (Decoder, error) {
	if pattern == "" {
		return nil, errors.New("pattern is missing: write a regular expression with the named group " + groupFor(encoder))
	}
	re, err := regexp.Compile(pattern)
	if err != nil {
		return nil, fmt.Errorf("pattern is no regular expression: %w", err)
	}
	for _, name := range re.SubexpNames() {
		switch name {
		case "", "value", "unit", "count", "degrees", "time_us", "status":
		default:
			return nil, fmt.Errorf("pattern has an unknown group %q: use value, unit, count, degrees, time_us, status", name)
		}
	}
	d := &lineDecoder{pattern: re, encoder: encoder, unit: unit,
		value: re.SubexpIndex("value"), unitAt: re.SubexpIndex("unit"), count: re.SubexpIndex("count"),
		degrees: re.SubexpIndex("degrees"), timeUS: re.SubexpIndex("time_us"), status: re.SubexpIndex("status")}
	missing := d.value < 0
	if encoder {
		missing = d.count < 0 && d.degrees < 0
	}
	if missing {
		return nil, errors.New("pattern lacks the named group " + groupFor(encoder))
	}
	if d.count >= 0 && d.degrees >= 0 && encoder {
		return nil, errors.New("pattern has both count and degrees: keep the one to be used")
	}
	return d, nil
}

func groupFor(encoder bool) string {
	if encoder {
		return "(?P<count>…) or (?P<degrees>…)"
	}
	return "(?P<value>…)"
}

// errorLine is an instrument's own error: at most three characters of channel
// and status, then "ERR", "ERROR" or E and a number, and nothing that could be
// a reading.
var errorLine = regexp.MustCompile(`^\s*(?:\w{1,3}[\s+-]+)?\W{0,2}(?i:\w{0,3}?err(?:or)?|e)[\s:.-]*\d{0,4}\s*$`)

func (d *lineDecoder) Decode(line []byte) (Value, error) {
	m := d.pattern.FindSubmatchIndex(line)
	if m == nil {
		if errorLine.Match(line) {
			return Value{}, ErrInstrument
		}
		return Value{}, ErrGarbage
	}
	text := d.number(line, m)
	v, err := number(text)
	if err != nil {
		if text == "" && (group(line, m, d.status) != "" || errorLine.Match(line)) {
			return Value{}, ErrInstrument // a status and no number
		}
		return Value{}, err
	}
	if v.Unit, err = d.unitOf(line, m); err != nil {
		return Value{}, err
	}
	if v.Unit == UnitCount && v.Decimals != 0 {
		return Value{}, fmt.Errorf("%w: a fraction of a count", ErrGarbage)
	}
	if text := group(line, m, d.timeUS); text != "" {
		t, err := number(text)
		if err != nil || t.Decimals != 0 {
			return Value{}, ErrGarbage
		}
		v.TimeUS, v.HasTime = t.Ticks, true
	}
	return v, plausible(v)
}

// group is what a group of the pattern matched, "" for none.
func group(line []byte, m []int, i int) string {
	if i < 0 || m[2*i] < 0 {
		return ""
	}
	return string(line[m[2*i]:m[2*i+1]])
}

// number is the text of the number that is wanted.
func (d *lineDecoder) number(line []byte, m []int) string {
	switch {
	case d.encoder && d.count >= 0:
		return group(line, m, d.count)
	case d.encoder:
		return group(line, m, d.degrees)
	}
	return group(line, m, d.value)
}

// unitOf is the number's unit: what the line says wins.
func (d *lineDecoder) unitOf(line []byte, m []int) (Unit, error) {
	switch {
	case d.encoder && d.count >= 0:
		return UnitCount, nil
	case d.encoder:
		return UnitDegree, nil
	}
	text := strings.TrimSpace(group(line, m, d.unitAt))
	if text == "" {
		return d.unit, nil
	}
	if u := unitOf(text); u != UnitNone {
		return u, nil
	}
	return UnitNone, ErrGarbage
}

func unitOf(text string) Unit {
	switch strings.ToLower(text) {
	case "mm":
		return UnitMM
	case "in", "inch", `"`:
		return UnitInch
	}
	return UnitNone
}

// number reads [sign] digits [point or comma digits], blanks anywhere.
func number(s string) (v Value, err error) {
	negative, signed, digits, point := false, false, 0, false
	for _, c := range []byte(s) {
		switch {
		case c == ' ' || c == '\t':
		case (c == '+' || c == '-') && !signed && digits == 0 && !point:
			signed, negative = true, c == '-'
		case (c == '.' || c == ',') && !point:
			point = true
		case c >= '0' && c <= '9':
			if v.Ticks = v.Ticks*10 + int64(c-'0'); v.Ticks > maxTicks {
				return Value{}, ErrRange
			}
			if digits++; point {
				if v.Decimals++; v.Decimals > maxDigits {
					return Value{}, ErrRange
				}
			}
		default:
			return Value{}, ErrGarbage
		}
	}
	if digits == 0 {
		return Value{}, ErrGarbage
	}
	if negative {
		v.Ticks = -v.Ticks
	}
	return v, nil
}
