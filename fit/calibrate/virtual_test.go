package calibrate

import (
	"math"
	"math/rand/v2"
)

// virtual is an indicator whose truth is known, and how it is calibrated. µm.
type virtual struct {
	shape      string
	curve      func(x float64) float64 // of the place in mm
	hysteresis func(x float64) float64
	sigma      float64
	step       float64 // mm
	refU95     float64
	stated     bool
	runs       int
	points     []float64 // mm
	repeatAt   float64
	repeats    int
}

// drawVirtual draws one of the mixture.
func drawVirtual(rng *rand.Rand) virtual {
	v := virtual{sigma: math.Exp(uniform(rng, math.Log(0.2), math.Log(2))), step: []float64{0.001, 0.01}[rng.IntN(2)], runs: 1 + rng.IntN(3), repeats: 5}
	rangeMM := []float64{1, 5, 10, 12.5, 25}[rng.IntN(5)]
	scheme := []string{SchemeISO13102, SchemeISO463, SchemeJISB7503, SchemeASMEB89}[rng.IntN(4)]
	plan, err := Plan(PlanRequest{Scheme: scheme, RangeMM: rangeMM, ResolutionMM: 0.01})
	if err != nil {
		panic(err)
	}
	for _, t := range plan {
		switch t.Direction {
		case Up:
			v.points = append(v.points, t.ReferenceMM)
		case Repeat:
			v.repeatAt = t.ReferenceMM
		}
	}
	if rng.IntN(2) == 0 {
		v.stated, v.refU95 = true, uniform(rng, 0.2, 3)
	}
	v.drawCurve(rng, rangeMM)
	v.drawHysteresis(rng, rangeMM)
	return v
}

func (v *virtual) drawCurve(rng *rand.Rand, rangeMM float64) {
	size := math.Exp(uniform(rng, math.Log(0.5), math.Log(12)))
	phase, offset := uniform(rng, 0, 2*math.Pi), uniform(rng, -5, 5)
	switch v.shape = []string{"sine", "bow", "slope", "waves", "bump", "turns", "wander"}[rng.IntN(7)]; v.shape {
	case "sine":
		period := rangeMM * uniform(rng, 0.4, 1.5)
		v.curve = func(x float64) float64 { return offset + size/2*math.Sin(2*math.Pi*x/period+phase) }
	case "bow":
		v.curve = func(x float64) float64 { u := x / rangeMM; return offset + 4*size*u*(1-u) }
	case "slope":
		v.curve = func(x float64) float64 { return offset + size*x/rangeMM }
	case "waves":
		a, b := uniform(rng, 0, size/2), uniform(rng, 0, size/3)
		v.curve = func(x float64) float64 {
			u := 2 * math.Pi * x / rangeMM
			return offset + a*math.Sin(u+phase) + b*math.Cos(2*u-phase) + b/2*math.Sin(3*u)
		}
	case "bump":
		at, width := uniform(rng, 0, rangeMM), rangeMM*uniform(rng, 0.05, 0.2)
		v.curve = func(x float64) float64 { z := (x - at) / width; return offset + size*math.Exp(-z*z/2) }
	case "turns":
		v.curve = func(x float64) float64 { return offset + size/3*math.Sin(2*math.Pi*x+phase) + size/3*x/rangeMM }
	case "wander":
		knots := make([]float64, 9)
		for i := range knots[1:] {
			knots[i+1] = knots[i] + size/3*rng.NormFloat64()
		}
		v.curve = func(x float64) float64 {
			u := min(max(x/rangeMM*8, 0), 7.999)
			i := int(u)
			return offset + knots[i] + (u-float64(i))*(knots[i+1]-knots[i])
		}
	}
}

func (v *virtual) drawHysteresis(rng *rand.Rand, rangeMM float64) {
	h := uniform(rng, 0, 5)
	v.hysteresis = func(float64) float64 { return h }
	if rng.IntN(3) == 0 {
		more := uniform(rng, -0.3, 0.3)
		v.hysteresis = func(x float64) float64 { return h * (1 + more*(2*x/rangeMM-1)) }
	}
}

func uniform(rng *rand.Rand, from, to float64) float64 { return from + (to-from)*rng.Float64() }

// truths are the characteristics of the noise-free indicator at the calibration's points, mm.
func (v *virtual) truths() map[string]float64 {
	var points []Point
	for _, x := range v.points {
		points = append(points, Point{1, Up, x, x + v.side(x, false)/1000}, Point{1, Down, x, x + v.side(x, true)/1000})
	}
	l, err := arrange(points, DefaultLocalSpanMM)
	if err != nil {
		panic(err)
	}
	d2 := map[int]float64{5: 2.32593}
	return map[string]float64{Total: *total(l.cells), Local: *local(l.cells, l.windows), Hysteresis: *hysteresis(l.pairs),
		Linearity: *linearity(l.refs, l.cells), Repeatability: d2[v.repeats] * v.sigma / 1000}
}

// side is the noise-free error in µm, moving in or out.
func (v *virtual) side(x float64, down bool) float64 {
	h := v.hysteresis(x) / 2
	if !down {
		h = -h
	}
	return v.curve(x) + h
}

// calibrated is what its display showed in a calibration.
func (v *virtual) calibrated(rng *rand.Rand) []Point {
	off := map[float64]float64{}
	var out []Point
	read := func(run int, d Direction, x float64, down bool) {
		if _, seen := off[x]; !seen {
			off[x] = v.refU95 / 2 * rng.NormFloat64()
		}
		exact := x + (off[x]+v.side(x, down)+v.sigma*rng.NormFloat64())/1000
		out = append(out, Point{run, d, x, decimals(math.Round(exact/v.step)*v.step, 6)})
	}
	for run := 1; run <= v.runs; run++ {
		for _, x := range v.points {
			read(run, Up, x, false)
		}
		for i := len(v.points) - 1; i >= 0; i-- {
			read(run, Down, v.points[i], true)
		}
	}
	for range v.repeats {
		read(v.runs, Repeat, v.repeatAt, false)
	}
	return out
}

func (v *virtual) options() Options {
	o := DefaultOptions()
	if v.stated {
		o.Reference = Reference{Kind: "blocks", U95MM: v.refU95 / 1000, Stated: true}
	}
	return o
}
