// Package fit turns sweeps into true tops, index errors, trims and their
// doubt. It is pure: no I/O, no clock, no ports. Units inside: mm, degrees of
// crank, seconds. Angles grow in running direction, heights as the piston
// rises.
package fit

import "crownmark/fit/engine"

// Series is a sampled quantity: V[i] was read at T[i] seconds.
type Series struct {
	T, V []float64
	// Late[i] > 0: the reading was the Late[i]-th of one burst, so T[i] is
	// only an upper bound. nil: none were.
	Late []int
}

// Sweep is one indicator's readings over one pass of one cylinder in one direction.
type Sweep struct {
	ID        int64
	Cylinder  int
	Indicator string
	Mount     int     // encoder mounting: its own unknown angle offset and lash
	Setup     int     // indicator placement: its own scale, play, tilt flip
	Zeroing   int     // zero of the display: its own height offset
	Encoder   *Series // degrees, in running direction, continuous within a mount; a shared pointer is a shared error
	Height    Series  // mm, arrival times
	// ReclockDeg is how far the encoder's adapter stands turned on the crank
	// against the first mount, in running direction; nil: nobody said. With it the
	// encoder's eccentricity can be told from the crank.
	ReclockDeg *float64
	// AngleUDeg above 0: there is no encoder. Each angle was read off a degree mark
	// with the crank at rest, with this standard uncertainty; Encoder holds an
	// angle for each height, at the same time.
	AngleUDeg float64
	DeckZero  bool // the zeroing was made on the block's deck: heights are above the deck
	// Correction is the indicator's calibration that was in force when the sweep
	// was made; nil: none, readings are taken as they are. One pointer shared by
	// several sweeps is one error curve that they have in common.
	Correction *Correction
	Calibrated Calibrated
	// RestMM is what the display shows on the plunger's resting stop in this
	// zeroing. With it a reading is looked up at the plunger's place, RestMM taken
	// off; nil (not known): it is looked up as shown, and the heights doubted more.
	RestMM *float64
}

// Mark is one press: a damper mark stood under the pointer.
type Mark struct {
	ID       int64   // of the press, where it is kept; else 0
	MarkDeg  float64 // as written; negative before the top
	AngleDeg float64 // encoder angle in running direction
	Mount    int
	Approach int // +1 last motion in running direction, −1 against it, 0 unknown
}

// IndicatorPrior is what is known of one indicator beforehand.
type IndicatorPrior struct {
	LatencyMS, LatencyUMS float64
	ResolutionMM          float64 // 0: learn from the data
	// FromArrivals: nobody declared the latency. What lumps add to it is then taken
	// from how the readings came.
	FromArrivals bool
}

// Priors is what is known of the bench beforehand. Start from DefaultPriors.
type Priors struct {
	Indicators        map[string]IndicatorPrior // by name; absent: Default
	Default           IndicatorPrior
	LashDeg, LashUDeg float64
	EncoderStepDeg    float64  // 360/counts_per_rev; 0: learn from the data
	EccentricityUDeg  *float64 // nil: undeclared
	AccuracyUDeg      *float64 // nil: undeclared
	MinSpanDeg        float64
}

// DefaultPriors are the contract's defaults for a bench that nobody described.
func DefaultPriors() Priors {
	return Priors{Default: IndicatorPrior{LatencyMS: 0, LatencyUMS: 50, FromArrivals: true}, LashUDeg: 0.2, MinSpanDeg: 6}
}

// Input is everything that one job holds. Sweeps are in the order they were made.
type Input struct {
	Engine engine.Engine
	Priors Priors
	Sweeps []Sweep
	Marks  []Mark
	// DirectionConfirmed: without it no index, trim or mark is issued.
	DirectionConfirmed bool
	Simulated          bool
	SetAside           int // sweeps left out by hand
}

// Index is the contract's index document.
type Index struct {
	Schema            string      `json:"schema"`
	Software          string      `json:"software"`
	Revision          *string     `json:"revision"` // of the job in its store, the ETag; nil: of no store
	Simulated         bool        `json:"simulated"`
	Engine            string      `json:"engine"`
	ReferenceCylinder int         `json:"reference_cylinder"`
	IndexLimitDeg     float64     `json:"index_limit_deg"`
	TrimStepDeg       float64     `json:"trim_step_deg"`
	Status            string      `json:"status"` // "ok" or why there is no result
	Bench             BenchResult `json:"bench"`
	Cylinders         []Cylinder  `json:"cylinders"`
	// CommonZeroDeg is the best common zero of the throws, after the reference's
	// own throw; nil with less than two throws.
	CommonZeroDeg    *float64       `json:"common_zero_deg"`
	CommonZeroU95Deg *float64       `json:"common_zero_u95_deg"`
	Pins             []PinResult    `json:"pins"`  // empty unless the engine file tells shared pins
	Banks            []BankResult   `json:"banks"` // empty unless it tells banks
	ClosureDeg       *float64       `json:"closure_deg"`
	ClosureU95Deg    *float64       `json:"closure_u95_deg"`
	Marks            []MarkError    `json:"marks"`
	TimingLight      []LightReading `json:"timing_light"` // what a timing light's readings really are; empty without a mark
	SetAside         int            `json:"set_aside"`
	Rule             string         `json:"rule"` // how verdicts are decided, in words
	Advice           []string       `json:"advice"`

	Differences  []Difference  `json:"-"` // every pair of cylinders; see Between
	Eccentricity *Eccentricity `json:"-"` // nil: neither declared nor to be seen
}

// Eccentricity is the encoder's error by the place of its adapter, as declared and
// as re-clocked mounts told it: it shows the crank's angle and
//
//	Σ Sin[n−1]·sin nφ + Cos[n−1]·cos nφ, n = 1, 2,
//
// φ being the crank angle after the reference's top plus what the adapter stands
// turned by since the first mount. Degrees; doubts are expanded, 95 %.
type Eccentricity struct {
	SinDeg, CosDeg       [2]float64
	SinU95Deg, CosU95Deg [2]float64
	PriorUDeg            float64 // of each part beforehand, standard
	Declared             bool    // in the bench file; else assumed
	Reclocked            bool    // a mount was turned by a known angle
	Mount                int     // the reference's, in which the document has its top
}

// BenchResult is what the sweeps told about the bench itself.
type BenchResult struct {
	LatencyMS    *float64       `json:"latency_ms"`
	LatencyU95MS *float64       `json:"latency_u95_ms"`
	LashDeg      *float64       `json:"lash_deg"`
	LashU95Deg   *float64       `json:"lash_u95_deg"`
	Streams      []StreamResult `json:"streams"`
}

// StreamResult is one indicator's latency against the encoder.
type StreamResult struct {
	Indicator    string  `json:"indicator"`
	LatencyMS    float64 `json:"latency_ms"`
	LatencyU95MS float64 `json:"latency_u95_ms"`
	// What was taken for known before any sweep, and where that is from.
	PriorMS    float64 `json:"latency_prior_ms"`
	PriorU95MS float64 `json:"latency_prior_u95_ms"`
	PriorFrom  string  `json:"latency_prior_from"` // "bench file" | "assumed" | "arrivals"
}

// Cylinder is one cylinder's row of the index document. Unknown is nil (null).
type Cylinder struct {
	Number        int      `json:"number"`
	NominalDeg    float64  `json:"nominal_deg"`
	TDCDeg        *float64 `json:"tdc_deg"`
	TDCU95Deg     *float64 `json:"tdc_u95_deg"`
	IndexErrorDeg *float64 `json:"index_error_deg"`
	IndexU95Deg   *float64 `json:"index_u95_deg"`
	ThrowErrorDeg *float64 `json:"throw_error_deg"`
	ThrowU95Deg   *float64 `json:"throw_u95_deg"`
	Verdict       string   `json:"verdict"`
	// FromCommonDeg is the throw's deviation from the best common zero, the
	// reference's too; CommonVerdict judges it against the limit. CrankpinMM is the
	// same on the crankpin's circle. nil: not known.
	FromCommonDeg    *float64 `json:"from_common_deg"`
	FromCommonU95Deg *float64 `json:"from_common_u95_deg"`
	CommonVerdict    string   `json:"common_verdict"`
	CrankpinMM       *float64 `json:"crankpin_mm"`
	CrankpinU95MM    *float64 `json:"crankpin_u95_mm"`
	TrimDeg          *float64 `json:"trim_deg"`
	TrimSetDeg       *float64 `json:"trim_set_deg"`
	TrimRetardDeg    *float64 `json:"trim_retard_deg"`    // the same trim for controllers that add retard
	TrimTopDeg       *float64 `json:"trim_top_angle_deg"` // the same for controllers that want the top's angle
	LeftDeg          *float64 `json:"left_deg"`
	// PeakMM: the display on the top, corrected where the indicator is calibrated,
	// its scale still in it. DeckMM: the true height above a zero set on the deck;
	// how well the deck was hit is not in its doubt.
	PeakMM    *float64 `json:"peak_mm"`
	PeakU95MM *float64 `json:"peak_u95_mm"`
	DeckMM    *float64 `json:"deck_mm"`
	DeckU95MM *float64 `json:"deck_u95_mm"`
	// StrokeSeenMM: travel from top to bottom as the indicator showed it, its
	// scale still in it; nil unless both ends were swept in one setup and
	// zeroing. StrokeSeenRatio: that over the engine file's stroke (with the pin
	// offset's small share), to be compared with Scale.
	StrokeSeenMM    *float64 `json:"stroke_seen_mm"`
	StrokeSeenU95MM *float64 `json:"stroke_seen_u95_mm"`
	StrokeSeenRatio *float64 `json:"stroke_seen_ratio"`
	// Durations: crank degrees between equal heights either side of the top.
	Durations []Duration `json:"durations"`
	// TiltDeg: how far the probe leans from the bore, α = acos(1/scale); taken
	// for a flat crown, and only with a declared rod and a scale over 1 beyond
	// its doubt.
	TiltDeg *float64 `json:"tilt_deg"`
	// LeftByStep: the trim on controllers of other steps.
	LeftByStep     []StepLeft `json:"left_by_step"`
	DwellDeg       *float64   `json:"dwell_deg"`
	Sweeps         int        `json:"sweeps"`
	Samples        int        `json:"samples"`
	Rejected       int        `json:"rejected"`
	ParabolaTDCDeg *float64   `json:"parabola_tdc_deg"`
	ParabolaU95Deg *float64   `json:"parabola_u95_deg"`
	// What the geometry makes these two methods miss the true top by, positive
	// late; it is taken out of their tops.
	ParabolaBiasDeg *float64 `json:"parabola_bias_deg"`
	ChordBiasDeg    *float64 `json:"chord_bias_deg"`
	ChordTDCDeg     *float64 `json:"chord_tdc_deg"`
	ChordU95Deg     *float64 `json:"chord_u95_deg"`
	PlayMM          *float64 `json:"play_mm"`
	TiltFlipMM      *float64 `json:"tilt_flip_mm"`
	Scale           *float64 `json:"scale"`
	ScaleU95        *float64 `json:"scale_u95"`
	RMSMM           *float64 `json:"rms_mm"`
	Budget          []Share  `json:"budget"` // worst first
	Flags           []string `json:"flags"`

	Curves []Curve `json:"-"` // for plots
}

// Share is one line of an uncertainty budget, of the index error (of the top
// itself for the reference).
type Share struct {
	Source   string  `json:"source"`
	Size     string  `json:"size"`      // the source's own size with its unit, in words
	HowKnown string  `json:"how_known"` // measured, declared, assumed
	UDeg     float64 `json:"u_deg"`     // standard uncertainty it contributes
}

// Curve is one sweep as the model sees it, on its cylinder's own top.
type Curve struct {
	SweepID    int64
	Cylinder   int
	Indicator  string
	Direction  int
	XDeg       []float64 // crank angle after this cylinder's top
	HeightMM   []float64 // above that top, true (scale, offset taken out)
	ResidualMM []float64
	Used       []bool
}

// MarkError is one damper mark's error, all its presses together.
type MarkError struct {
	MarkDeg  float64  `json:"mark_deg"`
	ErrorDeg *float64 `json:"error_deg"`
	U95Deg   *float64 `json:"u95_deg"`
	RimMM    *float64 `json:"rim_mm"`
	// TrueDeg: degrees of crank after the reference's true top when the mark is
	// under the pointer, mark_deg − error_deg; its doubt is U95Deg.
	TrueDeg *float64 `json:"true_deg"`
	Presses int      `json:"presses"`
	// SpreadDeg is the largest of the presses' errors less the smallest; nil with
	// less than two.
	SpreadDeg *float64 `json:"spread_deg"`
	Each      []Press  `json:"each"` // in the order they were made
}

// Press is one press of a mark.
type Press struct {
	ID       int64    `json:"id"`       // 0: of no store
	Approach int      `json:"approach"` // +1 came up in running direction, −1 against it, 0 not known
	ErrorDeg *float64 `json:"error_deg"`
}
