package calibrate

import (
	"slices"

	"crownmark/fit"
)

// knot is one point of the correction before its doubt is known: the reference
// points it stands for.
type knot struct {
	reading, correction float64 // mm
	refs                []int
	n                   int
}

// corrections are the knots of the correction: at each reference point minus
// the mean error of all its readings, at their mean reading. Where mean
// readings do not ascend with the reference, neighbours are put together until
// they do, so that corrected readings are strictly monotone.
func corrections(l layout) []knot {
	var out []knot
	for at, ref := range l.refs {
		sum, n := 0.0, 0
		for i := range l.cells {
			if c := &l.cells[i]; c.at == at {
				sum, n = sum+c.mean*float64(c.n), n+c.n
			}
		}
		e := sum / float64(n)
		out = append(out, knot{reading: ref + e, correction: 0 - e, refs: []int{at}, n: n})
		for len(out) > 1 && !ascends(out[len(out)-2], out[len(out)-1]) {
			out = append(out[:len(out)-2], joined(out[len(out)-2], out[len(out)-1]))
		}
	}
	for i := range out {
		out[i].reading, out[i].correction = decimals(out[i].reading, 12), decimals(out[i].correction, 12)
	}
	return out
}

// ascends tells whether readings and corrected readings both grow from a to b,
// by more than dust.
func ascends(a, b knot) bool {
	const dust = 1e-9
	return b.reading > a.reading+dust && b.reading+b.correction > a.reading+a.correction+dust
}

func joined(a, b knot) knot {
	n := a.n + b.n
	mid := func(x, y float64) float64 { return (x*float64(a.n) + y*float64(b.n)) / float64(n) }
	return knot{mid(a.reading, b.reading), mid(a.correction, b.correction), slices.Concat(a.refs, b.refs), n}
}

// Correction is what the fit takes of a result's knots. Between two of them
// nothing more than at them is doubted where nobody looked.
func Correction(knots []Knot) *fit.Correction {
	c := &fit.Correction{}
	for i, k := range knots {
		c.ReadingMM, c.CorrectionMM, c.U95MM = append(c.ReadingMM, k.ReadingMM), append(c.CorrectionMM, k.CorrectionMM), append(c.U95MM, k.U95MM)
		if i == len(knots)-1 {
			break
		}
		between := 0.0
		if k.BetweenU95MM != nil {
			between = *k.BetweenU95MM
		}
		c.BetweenU95MM = append(c.BetweenU95MM, between)
	}
	return c
}
