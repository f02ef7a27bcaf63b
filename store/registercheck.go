package store

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

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
)

// Problems are what cannot be kept, in the order of the keys.
func (r InstrumentRecord) Problems() (p RecordProblems) {
	add := func(wrong bool, key, fix, detail string, args ...any) {
		if wrong {
			p = append(p, RecordProblem{key, fmt.Sprintf(detail, args...), fix})
		}
	}
	add(!slices.Contains(RegisterKinds(), r.Kind), "kind", "it is one of "+strings.Join(RegisterKinds(), ", "), "%q is no kind of instrument", r.Kind)
	add(strings.TrimSpace(r.Name) == "", "name", "give the name that is written on it", "it has no name")
	for _, text := range []struct {
		key, value string
		most       int
	}{{"name", r.Name, longestName}, {"serial_number", r.SerialNumber, longestName}, {"identity", r.Identity, 500}, {"bench_name", r.BenchName, longestName},
		{"certificate_number", r.CertificateNumber, longestName}, {"scheme", r.Scheme, longestName}, {"notes", r.Notes, longestNotes}} {
		add(len(text.value) > text.most, text.key, "say it shorter", "longer than %d bytes", text.most)
	}
	length := func(key string, v float64) {
		add(!(v >= 0) || math.IsInf(v, 0), key, "give it in mm, above 0; leave it out where it is not known", "%g mm is no length", v)
	}
	length("range_mm", r.RangeMM)
	length("resolution_mm", r.ResolutionMM)
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
		} else if !(v > 0) || math.IsInf(v, 0) {
			p = append(p, RecordProblem{"limits_mm/" + name, fmt.Sprintf("%g mm is no limit", v), "give it in mm, above 0; leave it out for none"})
		}
	}
	return p
}
