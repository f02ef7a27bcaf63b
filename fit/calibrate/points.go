package calibrate

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// cell is what was read at one reference point coming from one side, all runs.
type cell struct {
	at       int     // index of the reference point
	down     bool    // moving out
	n        int     // readings
	mean     float64 // of their errors, mm
	low, top float64 // of their errors, mm
	errors   []float64
}

// layout is a calibration put in order: reference points ascending, each with
// a cell for every side it was come to from.
type layout struct {
	refs    []float64
	cells   []cell
	windows [][2]int          // reference points from, to (inclusive) that lie within one local span
	runs    []int             // numbers, ascending
	pairs   []pair            // up and down at one point within one run
	repeats []repeats         // at one point
	of      map[key][]float64 // errors by run, side and point
}

type key struct {
	run, at int
	down    bool
}

// pair is an up and a down reading's errors at one point within one run.
type pair struct {
	at       int
	up, down float64
	from, to place // where the two are among the cells
}

// place of a reading: its cell, and which of its errors.
type place struct{ cell, error int }

// repeats are the errors of several readings at one reference point.
type repeats struct {
	referenceMM float64
	errors      []float64
}

// errorOf is reading − reference without the dust of binary fractions: to
// 1e-12 mm.
func errorOf(p Point) float64 { return decimals(p.ReadingMM-p.ReferenceMM, 12) }

// arrange puts points in order. It fails where there are none, or where one is
// no number or of no known direction.
func arrange(points []Point, localSpanMM float64) (layout, error) {
	l := layout{of: map[key][]float64{}}
	if len(points) == 0 {
		return l, errors.New("there are no points; a calibration needs readings against a reference")
	}
	if len(points) > MostTargets {
		return l, fmt.Errorf("there are %d points, more than the %d that a calibration has; give those of one calibration", len(points), MostTargets)
	}
	for i, p := range points {
		if !(math.Abs(p.ReferenceMM) <= mostMM && math.Abs(p.ReadingMM) <= mostMM) {
			return l, fmt.Errorf("point %d: reference %g mm, reading %g mm; give numbers within ±%g mm", i+1, p.ReferenceMM, p.ReadingMM, float64(mostMM))
		}
		switch p.Direction {
		case Up, Down:
			l.refs = append(l.refs, p.ReferenceMM)
		case Repeat:
		default:
			return l, fmt.Errorf("point %d: the direction %q is not known; it is up, down or repeat", i+1, p.Direction)
		}
		l.runs = append(l.runs, p.Run)
	}
	slices.Sort(l.refs)
	l.refs = slices.Compact(l.refs)
	slices.Sort(l.runs)
	l.runs = slices.Compact(l.runs)
	for _, p := range points {
		l.add(p)
	}
	l.fill()
	l.windows = spans(l.refs, localSpanMM)
	return l, nil
}

// add files one point.
func (l *layout) add(p Point) {
	if p.Direction == Repeat {
		i := slices.IndexFunc(l.repeats, func(r repeats) bool { return r.referenceMM == p.ReferenceMM })
		if i < 0 {
			i = len(l.repeats)
			l.repeats = append(l.repeats, repeats{referenceMM: p.ReferenceMM})
		}
		l.repeats[i].errors = append(l.repeats[i].errors, errorOf(p))
		return
	}
	at, _ := slices.BinarySearch(l.refs, p.ReferenceMM)
	k := key{p.Run, at, p.Direction == Down}
	l.of[k] = append(l.of[k], errorOf(p))
}

// fill makes cells and pairs of the filed points.
func (l *layout) fill() {
	for at := range l.refs {
		first := map[key]place{}
		for _, down := range []bool{false, true} {
			c := cell{at: at, down: down}
			for _, run := range l.runs {
				k := key{run, at, down}
				first[k] = place{len(l.cells), len(c.errors)}
				c.errors = append(c.errors, l.of[k]...)
			}
			if len(c.errors) > 0 {
				c.sum()
				l.cells = append(l.cells, c)
			}
		}
		for _, run := range l.runs {
			l.pair(key{run, at, false}, key{run, at, true}, first)
		}
	}
}

// sum makes a cell's figures of its errors.
func (c *cell) sum() {
	c.n, c.low, c.top, c.mean = len(c.errors), slices.Min(c.errors), slices.Max(c.errors), mean(c.errors)
}

// pair files every pair of an up and a down reading at one point in one run.
func (l *layout) pair(up, down key, first map[key]place) {
	for i, u := range l.of[up] {
		for j, d := range l.of[down] {
			from, to := first[up], first[down]
			from.error, to.error = from.error+i, to.error+j
			l.pairs = append(l.pairs, pair{up.at, u, d, from, to})
		}
	}
}

// spans are the longest stretches of reference points within a span, mm; those
// of a single point are left out. A span just as long as a distance holds it.
func spans(refs []float64, span float64) [][2]int {
	var out [][2]int
	last := -1
	for from := range refs {
		to := from
		for to+1 < len(refs) && refs[to+1]-refs[from] <= span+1e-9 {
			to++
		}
		if to > from && to > last {
			out = append(out, [2]int{from, to})
			last = to
		}
	}
	return out
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}
