package acquire

import (
	"math"
	"slices"
)

// Rhythm is how regularly an instrument's readings arrive, by our own clock:
// what the kernel, the adapter and a busy machine do to their times. All but
// Intervals is of the last readings since the port was opened, rhythmWindow at
// most and none from before a pause.
type Rhythm struct {
	IntervalMS *float64 // mean time between readings; nil: too few yet
	// JitterMS: measured against an even rhythm, no reading was stamped later
	// than this after the promptest one. It bounds how much stamps stray, where
	// the instrument itself is even; where it is not, it is larger.
	JitterMS *float64
	// BatchMS: readings come in lumps, and this is the time between them. nil:
	// they come one by one.
	BatchMS    *float64
	BurstShare float64 // share of readings that came right behind another, in one lump
	Missing    int64   // since start: places of an even rhythm that stayed empty
	Intervals  Histogram
}

// Histogram counts times between readings since start, by upper bounds.
type Histogram struct {
	Counts [len(intervalBoundsMS) + 1]int64 // the last is of those above all bounds
	SumS   float64
}

var intervalBoundsMS = [...]float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000}

// IntervalBoundsMS are a Histogram's upper bounds.
func IntervalBoundsMS() []float64 { return slices.Clone(intervalBoundsMS[:]) }

func (h *Histogram) add(ms float64) {
	i := 0
	for i < len(intervalBoundsMS) && ms > intervalBoundsMS[i] {
		i++
	}
	h.Counts[i]++
	h.SumS += ms / 1000
}

const (
	rhythmWindow = 256
	rhythmLeast  = 16   // readings before anything is said
	lumpShare    = 0.2  // so large a share right behind another: they come in lumps
	pauseTimes   = 8.0  // so many intervals without a reading: a pause, the window begins anew …
	pauseLeastNS = 1e9  // … but never for less than this
	missedLeast  = 1.5  // intervals: a place may have stayed empty …
	caughtUp     = 0.75 // … unless the next reading comes sooner than this: the one before was only late
)

// arrival is a reading's stamp and its place in the rhythm.
type arrival struct {
	atNS   int64
	place  int64
	behind bool // came in one lump with the one before
}

// rhythm follows one stream.
type rhythm struct {
	window  []arrival
	skipped int64 // places that the last reading jumped over
	missing int64
	hist    Histogram
}

// open forgets the window: a port was opened.
func (r *rhythm) open() { r.window, r.skipped = r.window[:0], 0 }

// add takes a reading's arrival.
func (r *rhythm) add(atNS int64, burst int) {
	n := len(r.window)
	if n == 0 {
		r.window = append(r.window, arrival{atNS: atNS})
		return
	}
	last := r.window[n-1]
	gap := float64(atNS - last.atNS)
	r.hist.add(gap / 1e6)
	each, known := r.interval()
	if known && gap > max(pauseTimes*each, pauseLeastNS) {
		r.open()
		r.window = append(r.window, arrival{atNS: atNS})
		return
	}
	next := arrival{atNS: atNS, behind: burst > 0 || known && gap < each/8}
	if known {
		r.judge(gap/each, next.behind)
	}
	next.place = r.window[n-1].place + 1 + r.skipped
	if n == rhythmWindow {
		copy(r.window, r.window[1:])
		r.window = r.window[:n-1]
	}
	r.window = append(r.window, next)
}

// judge finds how many places before a new reading stayed empty, by the time
// since the one before in intervals. If that one was taken to have left places
// empty and this one comes soon, it was only late: they are taken back.
func (r *rhythm) judge(intervals float64, behind bool) {
	if r.skipped > 0 && (behind || intervals < caughtUp) {
		r.window[len(r.window)-1].place -= r.skipped
	} else {
		r.missing += r.skipped
	}
	if r.skipped = 0; intervals >= missedLeast && r.lumps() == 0 {
		r.skipped = int64(math.Round(intervals)) - 1
	}
}

// interval is the mean time between places, in nanoseconds.
func (r *rhythm) interval() (ns float64, known bool) {
	n := len(r.window)
	if n < rhythmLeast {
		return 0, false
	}
	first, last := r.window[0], r.window[n-1]
	return float64(last.atNS-first.atNS) / float64(last.place-first.place), last.place > first.place && last.atNS > first.atNS
}

// lumps is how many lumps the window holds; 0 where readings come one by one.
func (r *rhythm) lumps() (n int) {
	for _, a := range r.window {
		if !a.behind {
			n++
		}
	}
	if behind := len(r.window) - n; float64(behind) < lumpShare*float64(len(r.window)) {
		return 0
	}
	return n
}

// read says what the rhythm is.
func (r *rhythm) read() Rhythm {
	out := Rhythm{Missing: r.missing, Intervals: r.hist}
	each, known := r.interval()
	if !known {
		return out
	}
	interval, jitter := each/1e6, r.jitterNS()/1e6
	out.IntervalMS, out.JitterMS = &interval, &jitter
	starts, firstNS, lastNS := 0, int64(0), int64(0)
	for _, a := range r.window[1:] { // the first may be anywhere in its lump
		if a.behind {
			out.BurstShare += 1 / float64(len(r.window)-1)
			continue
		}
		if lastNS = a.atNS; starts == 0 {
			firstNS = a.atNS
		}
		starts++
	}
	if r.lumps() > 0 && starts > 1 {
		batch := float64(lastNS-firstNS) / float64(starts-1) / 1e6
		out.BatchMS = &batch
	}
	return out
}

// jitterNS is the range of the arrivals about their least-squares line over
// the places.
func (r *rhythm) jitterNS() float64 {
	n := float64(len(r.window))
	at := func(a arrival) (x, y float64) {
		return float64(a.place - r.window[0].place), float64(a.atNS - r.window[0].atNS)
	}
	var sx, sy, sxx, sxy float64
	for _, a := range r.window {
		x, y := at(a)
		sx, sy, sxx, sxy = sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	least, most := math.Inf(1), math.Inf(-1)
	for _, a := range r.window {
		x, y := at(a)
		least, most = min(least, y-slope*x), max(most, y-slope*x)
	}
	return most - least
}
