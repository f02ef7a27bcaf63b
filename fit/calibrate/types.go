// Package calibrate says what an indicator or an encoder is worth: its errors
// against a reference, their doubt, the correction they allow, verdicts against
// limits, and whether it stays as it was. It is pure: no I/O, no clock.
// Units: mm, degrees of crank, degrees Celsius.
//
// Characteristics after ISO 463, ISO 13102, JIS B 7503 and ASME B89.1.10M;
// uncertainty after JCGM 100; decision rules after ILAC-G8.
package calibrate

// Direction of a point: how the plunger came to it.
type Direction string

// Directions.
const (
	Up     Direction = "up"     // moving in
	Down   Direction = "down"   // moving out again
	Repeat Direction = "repeat" // one of several readings at one point, each come to anew, moving in
)

// Point is one reading against the reference.
type Point struct {
	Run         int
	Direction   Direction
	ReferenceMM float64 // what the reference says
	ReadingMM   float64 // what the indicator shows
}

// Characteristics that can be limited.
const (
	Total         = "total"
	Local         = "local"
	Hysteresis    = "hysteresis"
	Repeatability = "repeatability"
	Linearity     = "linearity"
)

// Verdicts, ILAC-G8 with a guard band of the doubt.
const (
	Pass            = "pass"
	ConditionalPass = "conditional_pass" // the value is within, its doubt reaches beyond
	ConditionalFail = "conditional_fail" // the value is beyond, its doubt reaches back within
	Fail            = "fail"
)

// Reference is what an indicator is held against.
type Reference struct {
	Kind   string  // "blocks", "head", or "" for nobody said
	U95MM  float64 // expanded uncertainty of one of its values
	PerM   float64 // what that grows by, mm for each metre
	Stated bool    // false: nothing is known of it, and the doubt says so
}

// Conditions are what is known about a calibration beside its points.
type Conditions struct {
	Reference    Reference
	ResolutionMM float64  // of the display; 0: learnt from the readings
	TemperatureC *float64 // nil: nobody noted it; the expansion then is in the doubt as a whole
	TempU95C     float64
}

// Options say what is asked of an evaluation. Start from DefaultOptions.
type Options struct {
	Conditions
	LocalSpanMM float64            // of the local error
	Limits      map[string]float64 // mm by characteristic; those not named are not judged
}

// Result is an indicator's calibration; the contract's JSON. Unknown is null.
// The doubt of each value is an expanded uncertainty, 95 %.
type Result struct {
	Schema   string   `json:"schema"`
	Points   []Row    `json:"points"`
	Runs     int      `json:"runs"`
	Warnings []string `json:"warnings"`

	ErrorTotalMM       *float64 `json:"error_total_mm"`
	ErrorTotalU95MM    *float64 `json:"error_total_u95_mm"`
	ErrorLocalMM       *float64 `json:"error_local_mm"`
	ErrorLocalU95MM    *float64 `json:"error_local_u95_mm"`
	LocalSpanMM        float64  `json:"local_span_mm"`
	HysteresisMM       *float64 `json:"hysteresis_mm"`
	HysteresisU95MM    *float64 `json:"hysteresis_u95_mm"`
	RepeatabilityMM    *float64 `json:"repeatability_mm"`
	RepeatabilityU95MM *float64 `json:"repeatability_u95_mm"`
	LinearityMM        *float64 `json:"linearity_mm"`
	LinearityU95MM     *float64 `json:"linearity_u95_mm"`

	Correction []Knot             `json:"correction"`
	Budget     []Line             `json:"budget"` // of one corrected reading, worst first
	Limits     map[string]float64 `json:"limits"`
	Verdict    map[string]string  `json:"verdict"` // by characteristic that has a limit
	Overall    string             `json:"overall"` // the worst of them; "" where none was judged
	Rule       string             `json:"rule"`    // how verdicts are decided, in words
}

// Row is one point with its error.
type Row struct {
	Run         int       `json:"run"`
	Direction   Direction `json:"direction"`
	ReferenceMM float64   `json:"reference_mm"`
	ReadingMM   float64   `json:"reading_mm"`
	ErrorMM     float64   `json:"error_mm"` // reading − reference
}

// Knot is one point of the correction: CorrectionMM is added to a reading of
// ReadingMM, linear between knots.
type Knot struct {
	ReadingMM    float64 `json:"reading_mm"`
	CorrectionMM float64 `json:"correction_mm"`
	U95MM        float64 `json:"u95_mm"`
	// BetweenU95MM holds between this knot and the next; null at the last.
	BetweenU95MM *float64 `json:"between_u95_mm"`
}

// Line is one line of an uncertainty budget.
type Line struct {
	Source   string  `json:"source"`
	Size     string  `json:"size"`      // its own size with its unit, in words
	HowKnown string  `json:"how_known"` // measured, declared, assumed
	UMM      float64 `json:"u_mm"`      // standard uncertainty it contributes
}
