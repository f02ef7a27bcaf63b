package store

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"

	"crownmark/fit/calibrate"
)

// RecordProblem is one thing that cannot be kept of an InstrumentRecord. Key is
// its JSON key, limits_mm/NAME within the limits.
type RecordProblem struct{ Key, Detail, Fix string }

// RecordProblems are all of them; it wraps ErrInvalid.
type RecordProblems []RecordProblem

func (p RecordProblems) Error() string {
	var all []string
	for _, one := range p {
		all = append(all, fmt.Sprintf("%s: %s; %s", one.Key, one.Detail, one.Fix))
	}
	return strings.Join(all, "\n")
}

func (p RecordProblems) Unwrap() error { return ErrInvalid }

// ErrTaken: another instrument of the register has this name, identity or
// bench name.
var ErrTaken = errors.New("another instrument of the register has it")

// TakenError says which one. It wraps ErrTaken.
type TakenError struct {
	Key, Value string // of the record
	By         int64  // the instrument that has it
}

func (e *TakenError) Error() string {
	return fmt.Sprintf("%s %q: instrument %d of the register has it already; name another, or retire that one first", e.Key, e.Value, e.By)
}

func (e *TakenError) Unwrap() error { return ErrTaken }

// RegisterKinds are all kinds.
func RegisterKinds() []string {
	return []string{RegisterIndicator, RegisterEncoder, RegisterBlocks, RegisterHead}
}

const (
	longestName  = 120
	longestNotes = 4000
	mostDays     = 36500
	longestMM    = 10_000 // package calibrate judges nothing beyond
	finestMM     = 1e-9
	hottestC     = 100
)

// unreadable says whether a text has characters that nobody sees: they would
// make two names look the same, and tear a table. Line ends and tabs are kept
// in notes.
func unreadable(text string, notes bool) bool {
	return strings.ContainsFunc(text, func(r rune) bool {
		return (unicode.IsControl(r) || r == unicode.ReplacementChar) && !(notes && strings.ContainsRune("\n\r\t", r))
	})
}

// Problems are what cannot be kept of a calibration's conditions: with them no
// certificate could be made of its points.
func (c CalibrationConditions) Problems() (p RecordProblems) {
	number := func(key string, v *float64, least, most float64, fix string) {
		if v != nil && !(*v >= least && *v <= most) {
			p = append(p, RecordProblem{key, fmt.Sprintf("%g cannot be", *v), fix})
		}
	}
	number("temperature_c", c.TemperatureC, -hottestC, hottestC, "look at the decimal point; give degrees Celsius, leave it out where nobody looked")
	number("temperature_u95_c", c.TemperatureU95C, 0, hottestC, "give degrees Celsius from 0; leave it out where it is not known")
	number("soak_min", c.SoakMin, 0, mostDays*24*60, "give minutes from 0; leave it out where nobody knows")
	for _, text := range []struct {
		key, value string
		most       int
	}{{"measured_by", c.MeasuredBy, longestName}, {"notes", c.Notes, longestNotes}} {
		switch {
		case len(text.value) > text.most:
			p = append(p, RecordProblem{text.key, fmt.Sprintf("longer than %d bytes", text.most), "say it shorter"})
		case unreadable(text.value, text.key == "notes"):
			p = append(p, RecordProblem{text.key, "with control characters", "send plain text; line ends and tabs are welcome in notes"})
		}
	}
	return p
}

// Problems are what cannot be kept, in the order of the keys.
func (r InstrumentRecord) Problems() (p RecordProblems) {
	add := func(wrong bool, key, fix, detail string, args ...any) {
		if wrong {
			p = append(p, RecordProblem{key, fmt.Sprintf(detail, args...), fix})
		}
	}
	add(!slices.Contains(RegisterKinds(), r.Kind), "kind", "it is one of "+strings.Join(RegisterKinds(), ", "), "%q is no kind of instrument", r.Kind)
	add(strings.TrimSpace(r.Name) == "", "name", "give the name that is written on it", "it has no name")
	add(strings.TrimSpace(r.Name) != r.Name && strings.TrimSpace(r.Name) != "", "name", "leave them out: two names that look the same are one", "%q begins or ends with blanks", r.Name)
	for _, text := range []struct {
		key, value string
		most       int
	}{{"name", r.Name, longestName}, {"serial_number", r.SerialNumber, longestName}, {"identity", r.Identity, 500}, {"bench_name", r.BenchName, longestName},
		{"certificate_number", r.CertificateNumber, longestName}, {"scheme", r.Scheme, longestName}, {"notes", r.Notes, longestNotes}} {
		add(len(text.value) > text.most, text.key, "say it shorter", "longer than %d bytes", text.most)
		add(unreadable(text.value, text.key == "notes"), text.key, "send plain text; line ends and tabs are welcome in notes", "with control characters")
	}
	length := func(key string, v float64) {
		add(!(v >= 0 && v <= longestMM), key, "give it in mm, above 0; leave it out where it is not known", "%g mm is no length", v)
	}
	length("range_mm", r.RangeMM)
	length("resolution_mm", r.ResolutionMM)
	add(r.ResolutionMM > 0 && r.ResolutionMM < finestMM, "resolution_mm", "give the display's step in mm", "no display has a step of %g mm", r.ResolutionMM)
	add(r.RangeMM > 0 && r.ResolutionMM > r.RangeMM, "resolution_mm", "give the display's step in mm", "a step of %g mm is longer than the range", r.ResolutionMM)
	add(r.IntervalDays < 0 || r.IntervalDays > mostDays, "interval_days", "give 1 to 36500 days; 365 is usual", "%d days cannot be an interval", r.IntervalDays)
	if r.U95MM != nil {
		length("u95_mm", *r.U95MM)
	}
	length("u95_per_m_mm", r.U95PerMMM)
	return append(p, limitProblems(r.LimitsMM)...)
}

func limitProblems(limits map[string]float64) (p RecordProblems) {
	for _, name := range slices.Sorted(maps.Keys(limits)) {
		v := limits[name]
		if !slices.Contains(calibrate.CharacteristicNames(), name) {
			p = append(p, RecordProblem{"limits_mm/" + name, fmt.Sprintf("%q cannot be limited", name), "known ones: " + strings.Join(calibrate.CharacteristicNames(), ", ")})
		} else if !(v > 0 && v <= longestMM) {
			p = append(p, RecordProblem{"limits_mm/" + name, fmt.Sprintf("%g mm is no limit", v), "give it in mm, above 0; leave it out for none"})
		}
	}
	return p
}
