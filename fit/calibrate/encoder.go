package calibrate

import (
	"math"
	"slices"

	"crownmark/fit"
)

// Pulse is one pass of an encoder's index pulse: it came between two readings
// of the count. Angles are on the scale of the sweeps' encoder, degrees in running
// direction, followed through the mounting.
type Pulse struct {
	Mount   int
	FromDeg float64 // the reading before
	ToDeg   float64 // the reading that told of the pulse
}

// EncoderResult is an encoder's check on the crank; degrees of crank. Unknown is
// null.
type EncoderResult struct {
	Schema       string   `json:"schema"`
	CountsPerRev *float64 `json:"counts_per_rev"` // as declared; null: it tells degrees
	StepDeg      *float64 `json:"step_deg"`       // of the count

	// Index pulses: counts between one pulse and the next in the same direction.
	Pulses           int      `json:"pulses"`
	PulseTurns       int      `json:"pulse_turns"` // between the first and the last, the longest run
	CountsPerTurn    *float64 `json:"counts_per_turn"`
	CountsPerTurnU95 *float64 `json:"counts_per_turn_u95"`
	CountsAgree      *bool    `json:"counts_agree"` // with what is declared, within their doubt

	// Closure: the reference's top again after the whole job.
	ClosureDeg    *float64 `json:"closure_deg"`
	ClosureU95Deg *float64 `json:"closure_u95_deg"`
	ClosureTurns  *float64 `json:"closure_turns"`
	ClosureHolds  *bool    `json:"closure_holds"`

	// Eccentricity, by mounts that were turned on the crank by a known angle.
	Mounts     int               `json:"mounts"`
	ReclockDeg []float64         `json:"reclock_deg"`  // of the mounts, where it is known
	Eccentric  []EccentricityRow `json:"eccentricity"` // once and twice per turn; empty: not to be seen

	// What may be declared for the next mountings, at whatever angle; null: the
	// eccentricity was not seen. The parts themselves hold only for this mounting, or
	// where the index pulse says how the encoder stands on the crank.
	EccentricityUDeg *float64 `json:"eccentricity_u_deg"`
	PulseDeg         *float64 `json:"pulse_deg"` // crank angle of the index pulse after the reference's top; null: no pulse

	Budget  []fit.Share `json:"budget"`  // of one corrected angle against another, worst first
	Overall string      `json:"overall"` // pass, fail, or "" where neither counts nor closure could be judged
	Rule    string      `json:"rule"`
	Notes   []string    `json:"notes"` // what could not be told, in words
}

// EccentricityRow is the encoder's error that comes so many times a turn:
// Sin·sin nφ + Cos·cos nφ is what the encoder shows too much, φ being the crank
// angle after the reference's top in the first mounting.
type EccentricityRow struct {
	PerTurn      int     `json:"per_turn"`
	Seen         bool    `json:"seen"` // the mounts told both parts; else one of them is as declared
	SinDeg       float64 `json:"sin_deg"`
	CosDeg       float64 `json:"cos_deg"`
	SinU95Deg    float64 `json:"sin_u95_deg"`
	CosU95Deg    float64 `json:"cos_u95_deg"`
	AmplitudeDeg float64 `json:"amplitude_deg"`
}

// encoderSchema names the document's form.
const encoderSchema = "crownmark-encoder-1"

// encoderRule is English for people.
const encoderRule = "pass: the counts between index pulses and the closure agree with what is declared within their doubt (95 %); fail: one of them does not."

// Encoder checks an encoder by what one job saw of it: the counts between its
// index pulses, the closure (index's), and its eccentricity where the job has
// mounts that were turned on the crank. in and index are the job's, index being
// fit.Solve(in); pulses may be empty.
func Encoder(in fit.Input, index fit.Index, pulses []Pulse) EncoderResult {
	r := EncoderResult{Schema: encoderSchema, ReclockDeg: []float64{}, Eccentric: []EccentricityRow{}, Rule: encoderRule, Notes: []string{}, Pulses: len(pulses)}
	if step := in.Priors.EncoderStepDeg; step > 0 {
		counts := 360 / step
		r.StepDeg, r.CountsPerRev = &step, &counts
	}
	r.mounts(in)
	r.counts(pulses)
	r.closure(in, index)
	r.eccentric(index)
	r.pulsePlace(index, pulses)
	r.budget(in)
	r.judge()
	return r
}

// mounts lists how the adapter stood.
func (r *EncoderResult) mounts(in fit.Input) {
	var seen []int
	for _, w := range in.Sweeps {
		if w.AngleUDeg > 0 || slices.Contains(seen, w.Mount) {
			continue
		}
		seen = append(seen, w.Mount)
		if w.ReclockDeg != nil {
			r.ReclockDeg = append(r.ReclockDeg, *w.ReclockDeg)
		}
	}
	r.Mounts = len(seen)
}

// counts fits where the pulses come: a place of its own for each mounting and
// direction, and as many degrees a turn for all. Each pulse lies between two
// counts, u = width/√12.
func (r *EncoderResult) counts(pulses []Pulse) {
	groups := map[pulseGroup][]Pulse{}
	for _, p := range pulses {
		g := pulseGroup{p.Mount, p.ToDeg >= p.FromDeg}
		groups[g] = append(groups[g], p)
	}
	var xy, xx, widest float64
	for _, all := range groups {
		var n, x, y float64
		first := all[0].at()
		for _, p := range all {
			turn := math.Round((p.at() - first) / 360)
			n, x, y = n+1, x+turn, y+p.at()-first
		}
		lo, hi := 0.0, 0.0
		for _, p := range all {
			turn := math.Round((p.at() - first) / 360)
			xx += (turn - x/n) * (turn - x/n)
			xy += (turn - x/n) * (p.at() - first - y/n)
			widest = math.Max(widest, math.Abs(p.ToDeg-p.FromDeg))
			lo, hi = math.Min(lo, turn), math.Max(hi, turn)
		}
		r.PulseTurns = max(r.PulseTurns, int(hi-lo))
	}
	if xx == 0 || r.CountsPerRev == nil {
		r.Notes = append(r.Notes, noPulses)
		return
	}
	perDeg := *r.CountsPerRev / 360
	width := widest*perDeg + 1 // a count's own step on top
	turn := xy / xx * perDeg
	u95 := 2 * width / math.Sqrt(12) / math.Sqrt(xx)
	agree := math.Abs(turn-*r.CountsPerRev) <= u95
	r.CountsPerTurn, r.CountsPerTurnU95, r.CountsAgree = &turn, &u95, &agree
}

// pulseGroup are pulses that come at one place: an index pulse is some counts
// wide, and found at its other end from the other side.
type pulseGroup struct {
	mount   int
	forward bool
}

func (p Pulse) at() float64 { return (p.FromDeg + p.ToDeg) / 2 }

// Notes, English for people.
const (
	noPulses  = "The index pulse was not seen twice in one mounting: what the encoder counts in a turn rests on the closure alone."
	noClosure = "The reference was not swept again at the end: nothing shows that no counts were lost."
	noReclock = "The encoder was not turned on the crank: its eccentricity cannot be told from the crank and stays as declared."
)

// closure takes the index's own: the reference's top again at the end, and how
// many turns lie between.
func (r *EncoderResult) closure(in fit.Input, index fit.Index) {
	if index.ClosureDeg == nil || index.ClosureU95Deg == nil {
		r.Notes = append(r.Notes, noClosure)
		return
	}
	holds := math.Abs(*index.ClosureDeg) <= *index.ClosureU95Deg
	r.ClosureDeg, r.ClosureU95Deg, r.ClosureHolds = index.ClosureDeg, index.ClosureU95Deg, &holds
	var lo, hi float64
	known := false
	for _, w := range in.Sweeps {
		if w.Cylinder != index.ReferenceCylinder || w.Encoder == nil || len(w.Height.T) == 0 {
			continue
		}
		if i, _ := slices.BinarySearch(w.Encoder.T, w.Height.T[len(w.Height.T)/2]); i < len(w.Encoder.V) {
			at := w.Encoder.V[i]
			if !known {
				known, lo, hi = true, at, at
			}
			lo, hi = math.Min(lo, at), math.Max(hi, at)
		}
	}
	if turns := math.Round((hi - lo) / 360); known {
		r.ClosureTurns = &turns
	}
}
