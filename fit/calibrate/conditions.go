package calibrate

import (
	"fmt"
	"math"
)

// Expansion by temperature. Reference and indicator are both taken to be of
// steel, 11.5 ± 1 · 10⁻⁶/K each, the same temperature: nothing is corrected,
// and what is left is the difference's doubt times what the shop is off 20 °C.
const (
	expansionHalf = 1e-6 // 1/K, half-width of one expansion
	standardC     = 20
	shopC         = 5.0 // nobody noted the temperature: within so many of 20 °C
)

// slopeU is the standard uncertainty of the scale, mm per mm: expansion,
// cosine, and what of the reference's doubt grows with its length.
func (o Options) slopeU() float64 {
	return math.Hypot(math.Hypot(o.expansionU(), cosineU()), o.Reference.PerM/2/1000)
}

// cosineDeg is how far the plunger may stand off the reference's axis.
const cosineDeg = 0.3

// cosineU is the standard uncertainty of a length by that, mm per mm: the
// half-width α²/2 over √3.
func cosineU() float64 { a := cosineDeg * math.Pi / 180; return a * a / 2 / math.Sqrt(3) }

func (o Options) expansionU() float64 {
	off := shopC / math.Sqrt(3)
	if o.TemperatureC != nil {
		off = math.Hypot(*o.TemperatureC-standardC, o.TempU95C/2)
	}
	return expansionHalf * math.Sqrt(2.0/3) * off
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

func (o Options) stepKnown() string {
	if o.ResolutionMM > 0 {
		return "declared"
	}
	return "measured"
}

func (o Options) temperatureSaid() string {
	if o.TemperatureC == nil {
		return fmt.Sprintf("%d ± %g °C", standardC, shopC)
	}
	return fmt.Sprintf("%g ± %g °C", *o.TemperatureC, o.TempU95C)
}

func (o Options) temperatureKnown() string {
	if o.TemperatureC == nil {
		return "assumed"
	}
	return "measured"
}
