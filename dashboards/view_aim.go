package dashboards

import (
	"math"
	"slices"

	"crownmark/fit"
	"crownmark/fit/crank"
	"crownmark/fit/engine"
)

const (
	aimDeg    = 25.0 // a sweep should reach so far either side of its top
	rulerDeg  = 30.0 // the ruler's half-length
	reserveMM = 0.5  // travel beyond what the window needs
	slowDegS  = 12.0 // faster than this near the top the delay weighs too much
)

// aim is what an indicator's cylinder still wants, as the page's script needs
// it: where its top is expected on the bench's angle, and which degrees of the
// ruler are covered already, each way.
type aim struct {
	Indicator string   `json:"indicator"`
	Cylinder  int      `json:"cylinder"`
	TopDeg    *float64 `json:"top_deg"` // in running direction, as the encoder counts; nil: not known yet
	Forward   string   `json:"forward"` // a 1 or 0 for each degree from −30 to 30
	Back      string   `json:"back"`
}

// aimOf is the aim of one indicator.
func (v benchView) aimOf(indicator string, number int, index fit.Index) aim {
	a := aim{Indicator: indicator, Cylinder: number, Forward: coverOf(index, number, 1), Back: coverOf(index, number, -1)}
	for _, t := range v.Tops {
		if t.N == number && v.ZeroDeg != nil {
			top := *v.ZeroDeg + t.Deg
			a.TopDeg = &top
		}
	}
	return a
}

// coverOf tells for each degree of the ruler whether a used reading of a sweep
// that way lies in it.
func coverOf(index fit.Index, number, direction int) string {
	cells := []byte(zeros(2 * int(rulerDeg)))
	i := slices.IndexFunc(index.Cylinders, func(c fit.Cylinder) bool { return c.Number == number })
	if i < 0 {
		return string(cells)
	}
	for _, curve := range index.Cylinders[i].Curves {
		if curve.Direction != direction {
			continue
		}
		for k, x := range curve.XDeg {
			if cell := int(math.Floor(x + rulerDeg)); curve.Used[k] && cell >= 0 && cell < len(cells) {
				cells[cell] = '1'
			}
		}
	}
	return string(cells)
}

func zeros(n int) string {
	b := make([]byte, n)
	for i := range b {
		b[i] = '0'
	}
	return string(b)
}

// travelMM is how far the piston falls within deg either side of its top: what
// an indicator's travel must be at least.
func travelMM(e engine.Engine, deg float64) float64 {
	rod, _ := e.RodOrAssumed()
	most := 0.0
	for _, t := range e.Tops() {
		g := crank.Geometry{R: e.StrokeMM / 2, L: rod, E: t.PinOffsetMM}
		for _, side := range []float64{-1, 1} {
			rise, _ := g.Rise(side * deg)
			most = max(most, -rise)
		}
	}
	return most
}
