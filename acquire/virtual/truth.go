package virtual

import (
	"fmt"
	"math"
	"slices"
)

// Engine is the engine on the bench, as its drawing says.
type Engine struct {
	Name      string     `json:"name"`
	StrokeMM  float64    `json:"stroke_mm"`
	RodMM     float64    `json:"rod_mm"`
	CycleDeg  float64    `json:"cycle_deg"`
	Reference int        `json:"reference_cylinder"`
	Cylinders []Cylinder `json:"cylinders"`
}

// Cylinder is one cylinder of the drawing. NominalDeg is its throw's place
// after the reference's, in running direction; its real top is later by its
// throw error and by what its pin offset moves the top more than the
// reference's does.
type Cylinder struct {
	Number      int     `json:"number"`
	NominalDeg  float64 `json:"nominal_deg"`
	PinOffsetMM float64 `json:"pin_offset_mm"`
}

// Truth is everything that is so on one virtual bench. Change any field before
// use; call Derive afterwards to bring the fields that follow from others up
// to date.
type Truth struct {
	Schema     string          `json:"schema"`
	Simulated  bool            `json:"simulated"`
	Seed       uint64          `json:"seed"`
	Engine     Engine          `json:"engine"`
	Cylinders  []CylinderTruth `json:"cylinders"`
	Encoder    Encoder         `json:"encoder"`
	Indicators []Indicator     `json:"indicators"`
	Setups     []Setup         `json:"setups"` // placements in order; after the last, from the first again
	Hand       Hand            `json:"hand"`
	Damper     Damper          `json:"damper"`
}

// CylinderTruth is what a measurement should find of one cylinder.
type CylinderTruth struct {
	Number        int     `json:"number"`
	NominalDeg    float64 `json:"nominal_deg"`
	ThrowErrorDeg float64 `json:"throw_error_deg"` // positive: the throw is late; 0 for the reference
	IndexErrorDeg float64 `json:"index_error_deg"` // derived: positive: the top is late
	TDCDeg        float64 `json:"tdc_deg"`         // derived: top on the encoder's scale, first mount, [0, 360)
}

// Encoder is the angle encoder and how it is mounted.
type Encoder struct {
	CountsPerRev int        `json:"counts_per_rev"` // per turn of the crank
	Direction    int        `json:"direction"`      // −1: counts down in running direction
	RateHz       float64    `json:"rate_hz"`        // lines per second
	JitterMS     float64    `json:"jitter_ms"`      // standard deviation of the lines' arrival
	OffsetDeg    float64    `json:"offset_deg"`     // encoder angle where the reference's throw points up the bore
	LashDeg      float64    `json:"lash_deg"`       // free play between crank and encoder
	Harmonics    []Harmonic `json:"harmonics"`      // eccentric mounting, tilted coupling, divided circle
	StartDeg     float64    `json:"start_deg"`      // crank angle after the reference's throw at switch-on
}

// Harmonic is a periodic error of the encoder's angle.
type Harmonic struct {
	PerTurn      int     `json:"per_turn"`
	AmplitudeDeg float64 `json:"amplitude_deg"`
	PhaseDeg     float64 `json:"phase_deg"`
	Mounting     bool    `json:"mounting"` // turns with a re-clocked adapter; else belongs to the encoder itself
}

// Indicator is one indicator's own faults.
type Indicator struct {
	Name       string  `json:"name"`
	LatencyMS  float64 `json:"latency_ms"` // its delay less the encoder's
	JitterMS   float64 `json:"jitter_ms"`  // standard deviation of that delay
	RateHz     float64 `json:"rate_hz"`
	Unit       string  `json:"unit"` // "mm" or "in"
	Step       float64 `json:"step"` // display step, in Unit
	NoiseMM    float64 `json:"noise_mm"`
	SpikeShare float64 `json:"spike_share"` // share of lines with a wrong, lost or turned digit or sign
	StuckShare float64 `json:"stuck_share"` // share of lines that repeat the line before
	TravelMM   float64 `json:"travel_mm"`   // from the top down to the plunger's resting stop
	IndicatorFaults
}

// Setup is one placement of an indicator on a piston.
type Setup struct {
	Scale        float64 `json:"scale"`          // reading per mm of piston travel
	PlayMM       float64 `json:"play_mm"`        // the piston hangs until the rod has dropped so far
	TiltFlipMM   float64 `json:"tilt_flip_mm"`   // −F rising, +F falling, over the top smoothly
	TiltWidthDeg float64 `json:"tilt_width_deg"` // how smoothly
	ZeroMM       float64 `json:"zero_mm"`        // display at the top
	CreepMMPerS  float64 `json:"creep_mm_per_s"` // the stand gives
	// PeakMM is derived: what a true indicator would show on the top, its zero being
	// where the bench's only indicator was zeroed; of a faulty one alone.
	PeakMM float64 `json:"peak_mm,omitempty"`
}

// Hand is who turns the crank.
type Hand struct {
	Unevenness     float64 `json:"unevenness"`       // speed varies by about this share
	RegripShare    float64 `json:"regrip_share"`     // share of sweeps with a re-grip
	RegripClearDeg float64 `json:"regrip_clear_deg"` // none nearer to the top than this
	PauseS         Range   `json:"pause_s"`
	SpringBackDeg  Range   `json:"spring_back_deg"`
	RegripStepMM   float64 `json:"regrip_step_mm"` // standard deviation of the crank's shift in its bearings
}

// Damper is the damper's marks as they read on this crank.
type Damper struct {
	MarkErrorDeg float64 `json:"mark_error_deg"` // positive: marks line up too early
	ReadUDeg     float64 `json:"read_u_deg"`     // of reading a mark by eye
}

// Range is a uniform distribution from Lo to Hi.
type Range struct {
	Lo float64 `json:"lo"`
	Hi float64 `json:"hi"`
}

const truthSchema = "crownmark/virtual-truth/1"

// Derive brings what follows from other fields up to date: index errors and
// tops from throw errors, pin offsets and the encoder's zero.
func Derive(t Truth) Truth {
	t.Schema, t.Simulated = truthSchema, true
	out := make([]CylinderTruth, 0, len(t.Engine.Cylinders))
	for _, c := range t.Engine.Cylinders {
		out = append(out, CylinderTruth{Number: c.Number, NominalDeg: c.NominalDeg, ThrowErrorDeg: t.throwError(c.Number)})
	}
	refTop := 0.0
	for _, c := range t.Engine.Cylinders {
		if c.Number == t.Engine.Reference {
			refTop = t.Engine.slider(c).topDeg()
		}
	}
	for i, c := range t.Engine.Cylinders {
		top := t.Engine.slider(c).topDeg()
		out[i].IndexErrorDeg = foldHalf(out[i].ThrowErrorDeg + top - refTop)
		out[i].TDCDeg = fold(t.Encoder.OffsetDeg + c.NominalDeg + out[i].ThrowErrorDeg + top)
	}
	t.Cylinders = out
	if len(t.Indicators) == 1 && t.Indicators[0].Faulty() {
		t.Setups = slices.Clone(t.Setups)
		for i := range t.Setups {
			t.Setups[i].PeakMM = t.Indicators[0].PeakMM(t.Setups[i])
		}
	}
	return t
}

// throwError is a cylinder's throw error; the reference has none by definition.
func (t Truth) throwError(number int) float64 {
	for _, c := range t.Cylinders {
		if c.Number == number && number != t.Engine.Reference {
			return c.ThrowErrorDeg
		}
	}
	return 0
}

// topDeg is the crank angle (after the reference's throw) of a cylinder's real top.
func (t Truth) topDeg(c Cylinder) float64 {
	return c.NominalDeg + t.throwError(c.Number) + t.Engine.slider(c).topDeg()
}

func (e Engine) slider(c Cylinder) slider {
	return slider{crankMM: e.StrokeMM / 2, rodMM: e.RodMM, offsetMM: c.PinOffsetMM}
}

func (e Engine) cylinder(number int) (Cylinder, bool) {
	for _, c := range e.Cylinders {
		if c.Number == number {
			return c, true
		}
	}
	return Cylinder{}, false
}

// check finds what would make the bench impossible.
func (t Truth) check() error {
	e := t.Engine
	if _, ok := e.cylinder(e.Reference); !ok {
		return fmt.Errorf("virtual bench: reference cylinder %d is not among the engine's cylinders: add it or name another", e.Reference)
	}
	if !(e.StrokeMM > 0) {
		return fmt.Errorf("virtual bench: stroke of %g mm: give the engine's stroke", e.StrokeMM)
	}
	for _, c := range e.Cylinders {
		if !(e.RodMM > e.StrokeMM/2+math.Abs(c.PinOffsetMM)) {
			return fmt.Errorf("virtual bench: cylinder %d: a rod of %g mm cannot turn on a %g mm stroke with %g mm offset: give a longer rod",
				c.Number, e.RodMM, e.StrokeMM, c.PinOffsetMM)
		}
	}
	return t.checkInstruments()
}

func (t Truth) checkInstruments() error {
	if t.Encoder.CountsPerRev <= 0 || !(t.Encoder.RateHz > 0) {
		return fmt.Errorf("virtual bench: encoder of %d counts a turn at %g lines/s: both must be positive", t.Encoder.CountsPerRev, t.Encoder.RateHz)
	}
	if len(t.Indicators) == 0 || len(t.Setups) == 0 {
		return fmt.Errorf("virtual bench: it needs at least one indicator and one setup")
	}
	for _, i := range t.Indicators {
		if !(i.RateHz > 0) || !(i.Step > 0) || (i.Unit != "mm" && i.Unit != "in") {
			return fmt.Errorf("virtual bench: indicator %q: rate %g lines/s, step %g %s: rate and step must be positive, the unit mm or in", i.Name, i.RateHz, i.Step, i.Unit)
		}
		if err := i.check(); err != nil {
			return fmt.Errorf("virtual bench: indicator %q: %w", i.Name, err)
		}
	}
	return nil
}
