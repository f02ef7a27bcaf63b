package acquire

import (
	"math"
	"regexp"
	"strings"
)

// indexWatch holds an encoder's index pulse against its count: the pulse comes
// at one place of the turn, so that a count which has it elsewhere lost some.
// A line says only that the pulse passed since the line before; the place is
// known to lie between their counts, and with each pulse better.
type indexWatch struct {
	begun  bool
	last   int64   // the count before, unwrapped
	known  bool    // a pulse was seen
	lo, hi float64 // it lies between these, unwrapped
}

// indexSlack is by how many counts a pulse may stray.
const indexSlack = 2

// agrees takes the next count. False means that the pulse came elsewhere than
// before: counts were lost, and the look begins anew.
func (w *indexWatch) agrees(unwrapped int64, pulse bool, perTurn float64) bool {
	from := w.last
	begun := w.begun
	w.begun, w.last = true, unwrapped
	if !pulse || !begun || perTurn <= 0 {
		return true
	}
	lo, hi := float64(min(from, unwrapped))-indexSlack, float64(max(from, unwrapped))+indexSlack
	if !w.known {
		w.known, w.lo, w.hi = true, lo, hi
		return true
	}
	turns := math.Round(((w.lo+w.hi)/2 - (lo+hi)/2) / perTurn)
	lo, hi = lo+turns*perTurn, hi+turns*perTurn
	if lo > w.hi || hi < w.lo {
		*w = indexWatch{begun: true, last: unwrapped}
		return false
	}
	w.lo, w.hi = max(w.lo, lo), min(w.hi, hi)
	return true
}

// IndexPulse makes what finds an encoder's index pulse in its lines: the
// pattern's group status says Z, I or INDEX. nil: the pattern has no such group.
func (c InstrumentConfig) IndexPulse() func(line []byte) bool {
	pattern, err := regexp.Compile(c.Pattern)
	if c.Kind != KindEncoder || err != nil || pattern.SubexpIndex("status") < 0 {
		return nil
	}
	at := pattern.SubexpIndex("status")
	return func(line []byte) bool {
		m := pattern.FindSubmatch(line)
		if m == nil {
			return false
		}
		switch strings.ToUpper(strings.TrimSpace(string(m[at]))) {
		case "Z", "I", "INDEX":
			return true
		}
		return false
	}
}
