package fit

import (
	"fmt"
	"math"
	"slices"
)

// errorCurve is a correction as the fit uses it, and what may still be wrong of it.
//
// A display is zeroed somewhere, a calibration's on the resting stop. With the
// stop's reading r₀ known a reading y is looked up at the plunger's place y − r₀;
// else as shown, as if r₀ were 0. Zero stays zero: y + c(y − r₀) − c(−r₀).
type errorCurve struct {
	*Correction
	slope, spread float64 // of the straight line through its points (least squares), and what they leave it by, largest less smallest
	certificate   int64
	blind         bool // a sweep's resting stop is not known
	beyond        bool // a reading lies beyond its points
}

// curveOf is a sweep's error curve, nil without a correction. Sweeps whose
// corrections have the same points share it.
func (j *job) curveOf(s *Sweep) *errorCurve {
	if s.Correction == nil {
		return nil
	}
	for _, e := range j.curves {
		if e.Correction == s.Correction || slices.Equal(e.ReadingMM, s.Correction.ReadingMM) && slices.Equal(e.CorrectionMM, s.Correction.CorrectionMM) &&
			slices.Equal(e.U95MM, s.Correction.U95MM) && slices.Equal(e.BetweenU95MM, s.Correction.BetweenU95MM) {
			return e
		}
	}
	e := &errorCurve{Correction: s.Correction, certificate: s.Calibrated.Certificate}
	e.straighten()
	j.curves = append(j.curves, e)
	return e
}

// straighten finds the line through the points.
func (e *errorCurve) straighten() {
	n := float64(len(e.ReadingMM))
	var mx, my, xx, xy float64
	for i, x := range e.ReadingMM {
		mx, my = mx+x/n, my+e.CorrectionMM[i]/n
	}
	for i, x := range e.ReadingMM {
		xx, xy = xx+(x-mx)*(x-mx), xy+(x-mx)*(e.CorrectionMM[i]-my)
	}
	if xx > 0 {
		e.slope = xy / xx
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, x := range e.ReadingMM {
		off := e.CorrectionMM[i] - e.slope*x
		lo, hi = math.Min(lo, off), math.Max(hi, off)
	}
	e.spread = hi - lo
}

// at is the correction at a reading: linear between points, and beyond them on
// from the last one along the line through all.
func (e *errorCurve) at(reading float64) float64 {
	return between(e.ReadingMM, e.CorrectionMM, reading) + e.slope*e.outside(reading)
}

// outside is how far a reading lies beyond the last point (positive) or before
// the first one (negative).
func (e *errorCurve) outside(reading float64) float64 {
	first, last := e.ReadingMM[0], e.ReadingMM[len(e.ReadingMM)-1]
	return math.Max(reading-last, 0) + math.Min(reading-first, 0)
}

// add is the correction of a sweep's reading as shown.
func (e *errorCurve) add(s *Sweep, shown float64) float64 { return over(s, shown, e.at) }

// over takes a function of the plunger's place at a reading as shown.
func over(s *Sweep, shown float64, at func(float64) float64) float64 {
	rest := deref(s.RestMM)
	return at(shown-rest) - at(-rest)
}

// between is y linear between the points x, held beyond them.
func between(x, y []float64, at float64) float64 {
	n := len(x)
	i, _ := slices.BinarySearch(x, at)
	switch {
	case i == 0:
		return y[0]
	case i == n:
		return y[n-1]
	}
	f := (at - x[i-1]) / (x[i] - x[i-1])
	return y[i-1] + f*(y[i]-y[i-1])
}

// lane is one way in which a curve may be wrong, at one standard uncertainty:
// by so much at a reading of a sweep.
type lane struct {
	curve *errorCurve
	kind  laneKind
	off   func(s *Sweep, shown float64) float64
}

type laneKind int

const (
	apart   laneKind = iota // each point for itself …
	tilt                    // … or the curve as a whole
	besides                 // what its points do not tell
	kinds
)

// k95 is how many standard uncertainties an expanded one of a calibration is.
const k95 = 1.959963984540054

// mostApart: of more points neighbours are taken to err together.
const mostApart = 64

// lanes lists how the curve may be wrong: each point by its own doubt, falling
// to nothing at its neighbours; between two points by what their doubts do not
// cover; all of it tilted (what a reference has wrong, it has wrong everywhere);
// and beyond its points.
func (e *errorCurve) lanes() (out []lane) {
	add := func(kind laneKind, at func(float64) float64) {
		out = append(out, lane{e, kind, func(s *Sweep, shown float64) float64 { return over(s, shown, at) }})
	}
	n := len(e.ReadingMM)
	group := (n + mostApart - 1) / mostApart
	for k := 0; k < len(e.U95MM); k += group {
		hat := make([]float64, n)
		for i := k; i < min(k+group, n); i++ {
			hat[i] = e.U95MM[i] / k95
		}
		add(apart, func(r float64) float64 { return between(e.ReadingMM, hat, r) })
	}
	for k := 0; k < len(e.BetweenU95MM); k += group {
		add(apart, e.arches(k, min(k+group, n-1)))
	}
	if n > 1 && e.U95MM != nil {
		ends := []float64{-e.U95MM[0] / k95, e.U95MM[n-1] / k95}
		x := []float64{e.ReadingMM[0], e.ReadingMM[n-1]}
		add(tilt, func(r float64) float64 {
			return between(x, ends, r) + e.outside(r)*(ends[1]-ends[0])/(x[1]-x[0])
		})
	}
	for _, end := range []float64{-1, 1} {
		out = append(out, lane{e, besides, func(s *Sweep, shown float64) float64 { return e.past(s, shown, end) }})
	}
	return out
}

// middle is the square of the doubt that the points k and k+1 leave half way.
func (e *errorCurve) middle(k int) float64 {
	if e.U95MM == nil {
		return 0
	}
	return (e.U95MM[k]*e.U95MM[k] + e.U95MM[k+1]*e.U95MM[k+1]) / 4
}

// arches are what lies between the points from one to another beyond their own
// doubts: largest half way and nothing at each.
func (e *errorCurve) arches(from, to int) func(float64) float64 {
	return func(r float64) float64 {
		k, _ := slices.BinarySearch(e.ReadingMM, r)
		if k--; k < from || k >= to {
			return 0
		}
		f := (r - e.ReadingMM[k]) / (e.ReadingMM[k+1] - e.ReadingMM[k])
		u95 := e.BetweenU95MM[k]
		return 4 * f * (1 - f) * math.Sqrt(math.Max(u95*u95-e.middle(k), 0)) / k95
	}
}

// past is the doubt of going on beyond one end of the points (−1, +1): the
// correction may stay as it was there, or grow twice as fast; and it may leave
// the line, as it does between its points. Half-widths. A stop that is not
// known tells no place.
func (e *errorCurve) past(s *Sweep, shown, end float64) float64 {
	if s.RestMM == nil {
		return 0
	}
	return over(s, shown, func(r float64) float64 {
		far := math.Max(end*e.outside(r), 0)
		if far == 0 {
			return 0
		}
		n := len(e.ReadingMM)
		step := (e.ReadingMM[n-1] - e.ReadingMM[0]) / math.Max(float64(n-1), 1)
		leaves := e.spread
		if step > far {
			leaves *= far / step
		}
		return (math.Abs(e.slope)*far + leaves) / math.Sqrt(3)
	})
}

// shifts is so many places of the resting stop tried where it is not known.
const shifts = 6

// shifted lists what the curve would add otherwise to the readings lo to hi of
// one zeroing, whose resting stop is not known, had they been elsewhere on it.
func (e *errorCurve) shifted(zeroing int, lo, hi float64) (out []lane) {
	first, last := e.ReadingMM[0]-lo, e.ReadingMM[len(e.ReadingMM)-1]-hi
	if first > last { // they do not fit in: they are longer than it
		first, last = (first+last)/2, (first+last)/2
	}
	for i := range shifts {
		by := first + (last-first)*float64(i)/(shifts-1)
		out = append(out, lane{e, besides, func(s *Sweep, shown float64) float64 {
			if s.RestMM != nil || s.Zeroing != zeroing {
				return 0
			}
			return (e.at(shown+by) - e.at(by) - e.at(shown) + e.at(0)) / math.Sqrt(shifts)
		}})
	}
	return out
}

// most is the largest doubt at a point, mm.
func (e *errorCurve) most() (most float64) {
	for _, u := range e.U95MM {
		most = math.Max(most, u)
	}
	return most
}

// size is the curve's doubt in words.
func (e *errorCurve) size() string {
	text := fmt.Sprintf("± %s µm at its points", plain(1000*e.most()))
	if e.certificate > 0 {
		text += fmt.Sprintf(", certificate %d", e.certificate)
	}
	if e.blind {
		text += "; resting stop not known"
	}
	if e.beyond {
		text += "; read beyond them"
	}
	return text
}

// readings are a sweep's readings as shown in order of time, and the step that
// its display shows.
func (j *job) readings(s *Sweep) (t, shown []float64, stepMM float64) {
	t, shown = cleanSeries(s.Height)
	return t, shown, stepOf(shown)
}

// correct makes heights of readings; e may be nil.
func (e *errorCurve) correct(s *Sweep, shown []float64) []float64 {
	y := make([]float64, len(shown))
	for i, v := range shown {
		if e != nil {
			v += e.add(s, v)
		}
		y[i] = math.Max(-heightMostMM, math.Min(v, heightMostMM)) // still a spike, counted as one
	}
	return y
}

// shown is the reading whose height is y.
func (e *errorCurve) shown(s *Sweep, y float64) float64 {
	shown := y
	for range 5 { // a correction grows far more slowly than the reading
		shown = y - e.add(s, shown)
	}
	return shown
}
