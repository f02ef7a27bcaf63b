package acquire

import (
	"cmp"
	"math"
	"slices"
)

// settled is a display that stands: what it showed since it does. A single
// reading elsewhere neither moves it nor counts.
type settled struct {
	list []sample // thinned, oldest first
	lo   float64
	hi   float64
	odd  []sample // outside, and not believed yet
	out  int      // how many were outside and not believed
	in   int      // how many were inside
}

const (
	oddMost      = 3    // so many in a row outside, each elsewhere: it does not stand
	stillGapNS   = 5e9  // nothing for so long: who knows what it showed meanwhile
	jumpShare    = 0.1  // more outside than this: the display jumps
	stillEachNS  = 20e6 // one reading in so long is kept
	stillLongest = 2000 // readings
	stillLooked  = 128  // of them, the last
)

func (s *settled) empty() bool { return len(s.list) == 0 }

// add takes a reading; band is how much those of a display that stands may differ.
func (s *settled) add(x sample, band float64) {
	const rounding = 1e-9
	if n := len(s.list); n > 0 && x.atNS-s.list[n-1].atNS > stillGapNS {
		*s = settled{}
	}
	fits := func(a sample, lo, hi float64) bool { return max(hi, a.mm)-min(lo, a.mm) <= band+rounding }
	switch {
	case len(s.list) == 0:
		s.begin(x)
	case fits(x, s.lo, s.hi):
		s.out += len(s.odd)
		s.odd = nil
		s.keep(x)
	case len(s.odd) > 0 && fits(x, s.odd[len(s.odd)-1].mm, s.odd[len(s.odd)-1].mm):
		first := s.odd[len(s.odd)-1]
		s.begin(first)
		s.keep(x)
	case len(s.odd)+1 == oddMost:
		s.begin(x)
	default:
		s.odd = append(s.odd, x)
	}
}

func (s *settled) begin(x sample) {
	*s = settled{list: append(s.list[:0], x), lo: x.mm, hi: x.mm, in: 1}
}

func (s *settled) keep(x sample) {
	s.in++
	s.lo, s.hi = min(s.lo, x.mm), max(s.hi, x.mm)
	n := len(s.list)
	switch {
	case n > 1 && x.atNS-s.list[n-2].atNS < stillEachNS:
		s.list[n-1] = x
	case n == stillLongest:
		s.list = append(s.list[:1], s.list[2:]...) // the first stays: since when
		s.list = append(s.list, x)
	default:
		s.list = append(s.list, x)
	}
}

// forNS is how long it has stood, 0 while too few readings tell.
func (s *settled) forNS() int64 {
	if s.in < steadyReadings {
		return 0
	}
	return s.list[len(s.list)-1].atNS - s.list[0].atNS
}

func (s *settled) jumps() bool { return float64(s.out) > jumpShare*float64(s.in+s.out) }

// median is the reading in the middle of the last ones shown while it stood.
func (s *settled) median() sample { return sorted(s.last())[len(s.last())/2] }

// flicker is how far all but a twentieth of the readings lie above (or below)
// their middle.
func (s *settled) flicker(above bool) float64 {
	list := sorted(s.last())
	n := len(list)
	if above {
		return list[n-1-n/20].mm - list[n/2].mm
	}
	return list[n/2].mm - list[n/20].mm
}

func (s *settled) last() []sample { return s.list[max(0, len(s.list)-stillLooked):] }

func sorted(list []sample) []sample {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b sample) int { return cmp.Compare(a.mm, b.mm) })
	return list
}

// creeps tells that the second half of it lies elsewhere than the first.
func (s *settled) creeps(most float64) bool {
	list := s.last()
	n := len(list)
	return n < 4 || math.Abs(sorted(list[n/2:])[(n-n/2)/2].mm-sorted(list[:n/2])[n/4].mm) > most
}

// approach is how a value came to where it is, as far back as it was followed.
// To ask when it was last above (below) a level, it is enough to keep the values
// that none after them exceeded.
type approach struct {
	n         int64
	high, low []mark
}

// mark is a value and its place in time.
type mark struct {
	n  int64
	mm float64
}

// begin follows from a value on.
func (a *approach) begin(mm float64) { *a = approach{}; a.add(mm) }

// again follows from the last value on.
func (a *approach) again() {
	if n := len(a.high); n > 0 {
		a.begin(a.high[n-1].mm)
	}
}

func (a *approach) add(mm float64) {
	a.n++
	for n := len(a.high); n > 0 && a.high[n-1].mm <= mm; n-- {
		a.high = a.high[:n-1]
	}
	for n := len(a.low); n > 0 && a.low[n-1].mm >= mm; n-- {
		a.low = a.low[:n-1]
	}
	a.high, a.low = append(a.high, mark{a.n, mm}), append(a.low, mark{a.n, mm})
}

// above is when the value was last above mm, 0: never.
func (a *approach) above(mm float64) int64 {
	for i := len(a.high) - 1; i >= 0; i-- {
		if a.high[i].mm > mm {
			return a.high[i].n
		}
	}
	return 0
}

// below is when the value was last below mm, 0: never.
func (a *approach) below(mm float64) int64 {
	for i := len(a.low) - 1; i >= 0; i-- {
		if a.low[i].mm < mm {
			return a.low[i].n
		}
	}
	return 0
}

// How a value came to a level.
const (
	cameUnknown = iota // it has not left the level since it is followed
	cameRight          // from the side asked for
	cameBack           // it was beyond, and came back
)

// from tells how the value came to at: rising (or falling) from back away, and
// never over beyond it.
func (a *approach) from(rising bool, at, over, back float64) int {
	const rounding = 1e-9
	right, wrong := a.below(at-back+rounding), a.above(at+over+rounding)
	if !rising {
		right, wrong = a.above(at+back-rounding), a.below(at-over-rounding)
	}
	switch {
	case right == 0 && wrong == 0:
		return cameUnknown
	case right > wrong:
		return cameRight
	}
	return cameBack
}

// left tells that the value was back away from a level, to whichever side.
func (a *approach) left(at, back float64) bool {
	return a.below(at-back) > 0 || a.above(at+back) > 0
}

// beyond is how far the value went beyond a level since it last was back away
// on the right side.
func (a *approach) beyond(rising bool, at, back float64) float64 {
	if !rising {
		down := approach{n: a.n}
		for _, m := range a.low {
			down.high = append(down.high, mark{m.n, -m.mm})
		}
		for _, m := range a.high {
			down.low = append(down.low, mark{m.n, -m.mm})
		}
		return down.beyond(true, -at, back)
	}
	since, most := a.below(at-back), 0.0
	for _, m := range a.high {
		if m.n > since {
			most = max(most, m.mm-at)
		}
	}
	return most
}
