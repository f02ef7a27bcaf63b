package virtual

import (
	"hash/fnv"
	"math/rand/v2"
)

// Disturbances says how large everything that disturbs may be. Ranges are
// uniform. The zero value disturbs nothing but has no instruments either:
// start from DefaultDisturbances or Quiet.
type Disturbances struct {
	ThrowErrorDeg   Range // magnitude; the sign is tossed
	LatencyMS       Range // per indicator
	LatencyJitterMS Range
	LashDeg         Range
	PlayMM          Range // per placement
	TiltFlipMM      Range // per placement
	TiltWidthDeg    Range
	Scale           Range // per placement
	ZeroMM          Range // per placement
	CreepMMPerS     Range // per placement
	NoiseMM         Range
	SpikeShare      Range
	StuckShare      Range
	TravelMM        Range
	ScaleError      Range // of an indicator, share of its travel
	BumpMM          Range // a local error, at a place that is tossed, 1 to 3 mm wide
	HysteresisMM    Range

	EccentricityUDeg float64 // of each component, once and twice per turn, normal
	AccuracyUDeg     float64 // of the encoder's own divided circle, normal

	CountsPerRev    []int // one is tossed
	Direction       int
	EncoderHz       float64
	EncoderJitterMS float64
	Indicators      []string // their names
	Steps           []Step   // one is tossed per indicator
	IndicatorHz     []float64

	Hand         Hand
	MarkErrorDeg Range
	MarkReadUDeg float64
}

// Step is an indicator's display step.
type Step struct {
	Unit string // "mm" or "in"
	Size float64
}

// DefaultDisturbances are sizes as met on real benches, all of them within
// what the fit assumes of a bench that nobody described. Creep, the encoder's
// eccentricity and accuracy (no fit sees them from one mounting: declare them),
// stuck lines and the crank's shift at a re-grip are off.
func DefaultDisturbances() Disturbances {
	return Disturbances{
		ThrowErrorDeg:   Range{0.05, 1.5},
		LatencyMS:       Range{0, 90},
		LatencyJitterMS: Range{1, 2},
		LashDeg:         Range{0, 0.3},
		PlayMM:          Range{0, 0.08},
		TiltFlipMM:      Range{-0.015, 0.015},
		TiltWidthDeg:    Range{0.6, 1.2},
		Scale:           Range{0.98, 1.10},
		ZeroMM:          Range{-0.2, 0.2},
		NoiseMM:         Range{0.0006, 0.0014},
		SpikeShare:      Range{0, 0.03},
		TravelMM:        Range{10, 12},
		CountsPerRev:    []int{7200},
		Direction:       1,
		EncoderHz:       100,
		EncoderJitterMS: 0.3,
		Indicators:      []string{"left"},
		Steps:           []Step{{"mm", 0.001}},
		IndicatorHz:     []float64{20},
		Hand: Hand{Unevenness: 0.25, RegripShare: 0.3, RegripClearDeg: 12,
			PauseS: Range{0.6, 1.6}, SpringBackDeg: Range{0.02, 0.15}},
		MarkErrorDeg: Range{-2, 2},
		MarkReadUDeg: 0.2,
	}
}

// Quiet is a bench where nothing disturbs and the crank is true: fine display,
// fine encoder, a steady hand.
func Quiet() Disturbances {
	return Disturbances{
		Scale: Range{1, 1}, TiltWidthDeg: Range{1, 1}, TravelMM: Range{11, 11},
		CountsPerRev: []int{3_600_000}, Direction: 1, EncoderHz: 100,
		Indicators: []string{"left"}, Steps: []Step{{"mm", 0.00001}}, IndicatorHz: []float64{20},
	}
}

// Draw tosses one bench. The same engine, seed and disturbances make the same
// bench; each quantity has its own stream of random numbers, so that changing
// one leaves the others as they were.
func Draw(e Engine, seed uint64, d Disturbances) Truth {
	t := Truth{Seed: seed, Engine: e, Hand: d.Hand}
	throws := stream(seed, "throws")
	for _, c := range e.Cylinders {
		v := d.ThrowErrorDeg.draw(throws)
		if throws.Uint64()&1 == 0 {
			v = -v
		}
		if c.Number == e.Reference {
			v = 0
		}
		t.Cylinders = append(t.Cylinders, CylinderTruth{Number: c.Number, ThrowErrorDeg: v})
	}
	t.Encoder = d.drawEncoder(seed)
	for _, name := range d.Indicators {
		t.Indicators = append(t.Indicators, d.drawIndicator(seed, name))
	}
	for range len(e.Cylinders) + 1 {
		t.Setups = append(t.Setups, Setup{})
	}
	d.drawSetups(seed, t.Setups)
	t.Damper = Damper{MarkErrorDeg: d.MarkErrorDeg.draw(stream(seed, "damper")), ReadUDeg: d.MarkReadUDeg}
	return Derive(t)
}

func (d Disturbances) drawEncoder(seed uint64) Encoder {
	r := stream(seed, "mounting")
	enc := Encoder{
		CountsPerRev: pick(r, d.CountsPerRev), Direction: d.Direction,
		RateHz: d.EncoderHz, JitterMS: d.EncoderJitterMS,
		OffsetDeg: Range{0, 360}.draw(r), LashDeg: d.LashDeg.draw(r), StartDeg: Range{-75, -55}.draw(r),
	}
	for n := 1; n <= 2; n++ { // sine and cosine parts, each normal
		for _, phase := range []float64{0, 90} {
			enc.Harmonics = append(enc.Harmonics, Harmonic{PerTurn: n, AmplitudeDeg: d.EccentricityUDeg * r.NormFloat64(), PhaseDeg: phase, Mounting: true})
		}
	}
	for _, n := range []int{3, 8} {
		enc.Harmonics = append(enc.Harmonics, Harmonic{PerTurn: n, AmplitudeDeg: d.AccuracyUDeg * r.NormFloat64(), PhaseDeg: Range{0, 360}.draw(r)})
	}
	return enc
}

func (d Disturbances) drawIndicator(seed uint64, name string) Indicator {
	r := stream(seed, "indicator "+name)
	step := pick(r, d.Steps)
	out := Indicator{
		Name: name, Unit: step.Unit, Step: step.Size, RateHz: pick(r, d.IndicatorHz),
		LatencyMS: d.LatencyMS.draw(r), JitterMS: d.LatencyJitterMS.draw(r),
		NoiseMM: d.NoiseMM.draw(r), SpikeShare: d.SpikeShare.draw(r), StuckShare: d.StuckShare.draw(r),
		TravelMM: d.TravelMM.draw(r),
	}
	out.IndicatorFaults = d.drawFaults(stream(seed, "faults "+name), out.TravelMM)
	return out
}

func (d Disturbances) drawFaults(r *rand.Rand, travelMM float64) IndicatorFaults {
	f := IndicatorFaults{ScaleError: d.ScaleError.draw(r), HysteresisMM: d.HysteresisMM.draw(r)}
	b := Bump{HeightMM: d.BumpMM.draw(r), AtMM: Range{0.2, 0.9}.draw(r) * travelMM, WidthMM: Range{1, 3}.draw(r)}
	if b.HeightMM != 0 {
		f.Bumps = []Bump{b}
	}
	return f
}

func (d Disturbances) drawSetups(seed uint64, out []Setup) {
	r := stream(seed, "setups")
	for i := range out {
		out[i] = Setup{
			Scale: d.Scale.draw(r), PlayMM: d.PlayMM.draw(r),
			TiltFlipMM: d.TiltFlipMM.draw(r), TiltWidthDeg: d.TiltWidthDeg.draw(r),
			ZeroMM: d.ZeroMM.draw(r), CreepMMPerS: d.CreepMMPerS.draw(r),
		}
	}
}

// draw always takes exactly one number from r.
func (g Range) draw(r *rand.Rand) float64 { return g.Lo + (g.Hi-g.Lo)*r.Float64() }

// pick tosses one of a list; an empty list gives the zero value.
func pick[T any](r *rand.Rand, list []T) T {
	n := r.Uint64()
	if len(list) == 0 {
		var zero T
		return zero
	}
	return list[n%uint64(len(list))]
}

// stream is the random numbers of one purpose.
func stream(seed uint64, purpose string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(purpose)) // never fails
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}
