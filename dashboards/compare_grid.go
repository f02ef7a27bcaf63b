package dashboards

import (
	"math"
	"slices"
)

// grid is the angles at which all curves are told together.
type grid struct {
	FromDeg, StepDeg float64
	Points           int
}

func (g grid) at(i int) float64 { return g.FromDeg + float64(i)*g.StepDeg }

// laid is a curve on the grid; NaN where it says nothing. GapDeg is the widest
// gap between readings that was bridged.
type laid struct {
	GapDeg                             float64
	HeightMM, ResidualMM, DifferenceMM []float64
}

// How curves come to one grid, as it is told.
const gridRule = "At each angle: the mean of the readings within half a step. Where there is none, the crank's own curve carries from one reading to the next, and only what deviates from it is drawn straight; never over more than the curve's gap, and never beyond its ends."

const (
	gridPoints  = 1000
	finestDeg   = 0.05
	widestGap   = 2.0 // degrees; more only for sweeps that are read more coarsely
	coarseTimes = 3.0 // readings' usual distances that a gap may be wide
)

// lay puts every curve on one grid and forms the differences.
func (k *comparison) lay() {
	lo, hi := k.span()
	if !(hi > lo) {
		return
	}
	step := max(finestDeg, niceStep((hi-lo)/gridPoints))
	k.Grid.StepDeg = step
	k.Grid.FromDeg = math.Ceil(lo/step-1e-9) * step
	k.Grid.Points = int(math.Floor((hi-k.Grid.FromDeg)/step+1e-9)) + 1
	for i := range k.Curves {
		if c := &k.Curves[i]; c.Why == "" {
			c.lay(k.Grid)
		}
	}
	for i := range k.Curves {
		c := &k.Curves[i]
		if c.Against < 0 {
			continue
		}
		ref := k.Curves[c.Against].laid.HeightMM
		c.laid.DifferenceMM = make([]float64, k.Grid.Points)
		for n := range c.laid.DifferenceMM {
			c.laid.DifferenceMM[n] = c.laid.HeightMM[n] - ref[n] // NaN where either is
		}
	}
}

// span is the angles of all readings that served.
func (k *comparison) span() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, c := range k.Curves {
		if c.Why != "" {
			continue
		}
		for i, x := range c.XDeg {
			if c.Used[i] {
				lo, hi = min(lo, x+c.OffsetDeg), max(hi, x+c.OffsetDeg)
			}
		}
	}
	return lo, hi
}

// lay puts one curve on the grid by gridRule.
func (c *comparedCurve) lay(g grid) {
	count, deviation, residual := make([]float64, g.Points), make([]float64, g.Points), make([]float64, g.Points)
	for i, x := range c.XDeg {
		n := int(math.Round((x + c.OffsetDeg - g.FromDeg) / g.StepDeg))
		if !c.Used[i] || n < 0 || n >= g.Points {
			continue
		}
		rise, _, _, _ := c.crank.At(x)
		count[n]++
		deviation[n] += c.HeightMM[i] - rise
		residual[n] += c.ResidMM[i]
	}
	var told []int // cells with readings
	for n := range count {
		if count[n] > 0 {
			told = append(told, n)
			deviation[n] /= count[n]
			residual[n] /= count[n]
		} else {
			deviation[n], residual[n] = math.NaN(), math.NaN()
		}
	}
	cells := gapCells(told, g.StepDeg)
	c.laid.GapDeg = float64(cells) * g.StepDeg
	bridge(deviation, told, cells)
	bridge(residual, told, cells)
	for n := range deviation {
		rise, _, _, _ := c.crank.At(g.at(n) - c.OffsetDeg)
		deviation[n] += rise
	}
	c.laid.HeightMM, c.laid.ResidualMM = deviation, residual
}

// gapCells is over how many cells may be bridged: two degrees, or three times
// what usually lies between this sweep's readings.
func gapCells(told []int, stepDeg float64) int {
	most := widestGap / stepDeg
	if len(told) > 1 {
		var between []int
		for i := 1; i < len(told); i++ {
			between = append(between, told[i]-told[i-1])
		}
		slices.Sort(between)
		most = max(most, coarseTimes*float64(between[len(between)/2]))
	}
	return int(math.Round(most))
}

// bridge fills what lies between two told cells no further apart than most.
func bridge(v []float64, told []int, most int) {
	for i := 1; i < len(told); i++ {
		a, b := told[i-1], told[i]
		if b-a > most {
			continue
		}
		for n := a + 1; n < b; n++ {
			v[n] = v[a] + (v[b]-v[a])*float64(n-a)/float64(b-a)
		}
	}
}
