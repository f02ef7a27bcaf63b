package virtual

import (
	"math"
	"slices"
	"sort"
	"testing"
)

// The rows of a disturbed bench obey the equation that a fit would use, with
// the truth put in:
//
//	y = zero + k·P[S(x)] + k·F·δ·g(x),  x = encoder(t − latency) + δ·lash/2 − top
//
// Only noise, display, spikes, encoder steps and re-grips may be left over.
func TestRowsObeyTheEquation(t *testing.T) {
	t.Parallel()
	for seed := range uint64(6) {
		d := DefaultDisturbances()
		d.EccentricityUDeg = 0.1
		truth := Draw(four(), seed, d)
		var encT, encA []float64
		var heights []Row
		for _, r := range rows(t, truth, DefaultPlan()) {
			if r.HeightMM == nil {
				encT, encA = append(encT, r.TS), append(encA, r.AngleDeg)
			} else {
				heights = append(heights, r)
			}
		}
		var left []float64
		for _, r := range heights {
			left = append(left, math.Abs(*r.HeightMM-expect(truth, r, encT, encA)))
		}
		slices.Sort(left)
		// Half the rows within two noises of 1.4 µm and some encoder step
		// (0.05°/√12 at 0.3 mm/° is 4 µm); nine of ten within a few of them.
		half, most := left[len(left)/2], left[len(left)*9/10]
		if half > 0.004 || most > 0.020 {
			t.Errorf("seed %d: heights leave the equation by %.4f mm (half of them) and %.4f mm (nine of ten)", seed, half, most)
		}
	}
}

func expect(truth Truth, r Row, encT, encA []float64) float64 {
	at := r.TS - truth.Indicators[0].LatencyMS/1000
	i := min(max(sort.SearchFloat64s(encT, at), 1), len(encT)-1)
	angle := encA[i-1] + (encA[i]-encA[i-1])*(at-encT[i-1])/(encT[i]-encT[i-1])
	way := 1.0
	if r.Sweep%2 == 0 {
		way = -1
	}
	c, _ := truth.Engine.cylinder(r.Cylinder)
	var tdc float64
	for _, ct := range truth.Cylinders {
		if ct.Number == r.Cylinder {
			tdc = ct.TDCDeg
		}
	}
	e := truth.Encoder
	ecc := e.encoderAngle(angle-e.OffsetDeg, 0, 0) - (angle - e.OffsetDeg)
	x := math.Remainder(angle-ecc+way*e.LashDeg/2-tdc, 360)
	s := truth.Setups[(r.Setup-1)%len(truth.Setups)]
	rod := -drop(truth.Engine.slider(c), x)
	hang := rod
	if x*way > 0 {
		hang = min(0, rod+s.PlayMM)
	}
	return s.ZeroMM + s.Scale*(hang+s.TiltFlipMM*way*math.Tanh(x/s.TiltWidthDeg))
}
