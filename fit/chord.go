package fit

import "math"

// Chord halves the angle between equal heights either side of the top: the
// trade's own check. Heights from dropFrom to dropTo (mm under the peak) are
// used; on each side the angle at a height comes from a straight line through
// the readings about it. u is from the scatter of the halves.
func Chord(x, y []float64, top Vertex, dropFrom, dropTo float64) (Vertex, error) {
	const levels = 12
	var mids []float64
	for i := range levels {
		level := top.PeakMM - dropFrom - (dropTo-dropFrom)*float64(i)/(levels-1)
		left, okL := crossing(x, y, top.AngleDeg, level, -1, (dropTo-dropFrom)/5)
		right, okR := crossing(x, y, top.AngleDeg, level, +1, (dropTo-dropFrom)/5)
		if okL && okR {
			mids = append(mids, (left+right)/2)
		}
	}
	if len(mids) < 3 {
		return Vertex{}, errFewReadings
	}
	mid := median(mids)
	dev := make([]float64, len(mids))
	for i, v := range mids {
		dev[i] = math.Abs(v - mid)
	}
	// Neighbouring levels share readings: about a third of them are independent.
	u := 1.4826 * median(dev) / math.Sqrt(math.Max(1, float64(len(mids))/3))
	return Vertex{AngleDeg: mid, UDeg: u, PeakMM: top.PeakMM, N: len(mids)}, nil
}

// crossing is the angle at which side (−1 before, +1 after topDeg) passes a
// height, by a least-squares line x(y) through the readings within ±reach mm.
func crossing(x, y []float64, topDeg, level, side, reach float64) (float64, bool) {
	var n, sy, sx, syy, sxy float64
	for i := range x {
		if (x[i]-topDeg)*side > 0 && math.Abs(y[i]-level) <= reach {
			d := y[i] - level
			n, sy, sx, syy, sxy = n+1, sy+d, sx+x[i], syy+d*d, sxy+d*x[i]
		}
	}
	det := n*syy - sy*sy
	if n < 3 || det <= 0 {
		return 0, false
	}
	return (syy*sx - sy*sxy) / det, true
}
