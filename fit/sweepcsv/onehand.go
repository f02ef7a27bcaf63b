package sweepcsv

import (
	"math"
	"sort"

	"crownmark/fit"
)

// maxSweepS is longer than any hand takes for one sweep.
const maxSweepS = 3600.0

// oneSitting refuses a sweep of hours: a wrong time among its rows, or times
// in another unit.
func (g *gatherer) oneSitting(s *sweep, sw fit.Sweep) error {
	t := sw.Height.T
	if span := t[len(t)-1] - t[0]; span > maxSweepS {
		return g.problem(line{number: s.where}, "", "give t_s in seconds and look for a wrong one; a new sweep has a new number", "sweep %d lasts %.3g s, from t_s %g to %g", sw.ID, span, t[0], t[len(t)-1])
	}
	return nil
}

// Turning back further than spring-back and a late indicator can explain, and
// faster than any hand turns a crank: there counts were lost or read wrongly.
const (
	maxBackDeg   = 3.0
	maxBackShare = 0.25 // of the span
	maxHandDegS  = 360.0
)

// oneDirection refuses a sweep that goes forth and back. Wild angles and lost
// counts are left to the fit.
func (g *gatherer) oneDirection(s *sweep, sw fit.Sweep) error {
	from, to := sw.Height.T[0], sw.Height.T[len(sw.Height.T)-1]
	e := sw.Encoder
	i := sort.SearchFloat64s(e.T, from)
	j := sort.Search(len(e.T), func(k int) bool { return e.T[k] > to })
	if back := turnedBack(e.T[i:j], e.V[i:j]); back > 0 {
		return g.problem(line{number: s.where}, "", "give the way back its own sweep number, and let all t_s share one zero", "sweep %d turns back by %.1f°; one sweep is one direction", sw.ID, back)
	}
	return nil
}

// turnedBack is how far a hand turned back, single wild angles (median of
// three) and jumps left out; 0 where it turned one way.
func turnedBack(t, v []float64) float64 {
	var at, up, down, high, low float64
	for k := 2; k+1 < len(v); k++ {
		d := median(v[k-1], v[k], v[k+1]) - median(v[k-2], v[k-1], v[k])
		if math.Abs(d) > math.Max(maxBackDeg, maxHandDegS*(t[k]-t[k-1])) {
			continue
		}
		at += d
		high, low = max(high, at), min(low, at)
		up, down = max(up, at-low), max(down, high-at) // furthest rise from a low before it, and fall
	}
	if back := min(up, down); back > max(maxBackDeg, maxBackShare*max(up, down)) {
		return back
	}
	return 0
}

func median(a, b, c float64) float64 { return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c)) }
