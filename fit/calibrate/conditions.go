package calibrate

import "math"

// Expansion by temperature. Reference and indicator are both taken to be of
// steel, 11.5 ± 1 · 10⁻⁶/K each, the same temperature: nothing is corrected,
// and what is left is the difference's doubt times what the shop is off 20 °C.
const (
	expansionU = 1e-6 / 1.7320508 * 1.4142136 // 1/K, of the difference, standard
	standardC  = 20
	shopC      = 5.0 // nobody noted the temperature: within so many of 20 °C
)

// slopeU is the standard uncertainty of the scale, mm per mm: expansion, and
// what of the reference's doubt grows with its length.
func (o Options) slopeU() float64 { return math.Hypot(o.expansionU(), o.Reference.PerM/2/1000) }

func (o Options) expansionU() float64 {
	off := shopC / math.Sqrt(3)
	if o.TemperatureC != nil {
		off = math.Hypot(*o.TemperatureC-standardC, o.TempU95C/2)
	}
	return expansionU * off
}

// step is the display's step in mm: as stated, else the largest of 1, 2, 5
// times a power of ten up to 0.01 mm that divides every reading. A few readings
// only tell powers of ten.
func (o Options) step(points []Point) float64 {
	if o.ResolutionMM > 0 {
		return o.ResolutionMM
	}
	for decade := 0.01; decade > 2e-7; decade /= 10 {
		for _, part := range []float64{1, 2, 5} {
			if part > 1 && len(points) < 8 {
				continue
			}
			if s := decade / part; divides(s, points) {
				return s
			}
		}
	}
	return 1e-7
}

func divides(step float64, points []Point) bool {
	for _, p := range points {
		n := p.ReadingMM / step
		if math.Abs(n-math.Round(n)) > 1e-6 {
			return false
		}
	}
	return true
}
