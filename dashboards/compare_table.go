package dashboards

import (
	"math"
	"strings"

	"crownmark/fit"
)

// quantity is one figure of two cylinders and what lies between them. Figures
// are by all sweeps of the cylinder that serve; only the RMS is of those chosen.
type quantity struct {
	Name        string   `json:"quantity"`
	Unit        string   `json:"unit"` // deg, mm or "" for a ratio
	Engine      bool     `json:"of_the_engine"`
	Value       *float64 `json:"value"`
	U95         *float64 `json:"u95"`
	RefValue    *float64 `json:"reference_value"`
	RefU95      *float64 `json:"reference_u95"`
	Difference  *float64 `json:"difference"`
	DifferenceU *float64 `json:"difference_u95"`
	Significant *bool    `json:"significant"` // null: cannot be judged, why says why
	DoubtBy     string   `json:"doubt_by"`    // joint-fit, root-sum-square, or ""
	Why         string   `json:"why"`
}

const (
	byJointFit = "joint-fit"
	bySquares  = "root-sum-square"
)

const (
	compareRule = "Significant: the difference is larger than its own doubt, ± at 95 %."
	jointRule   = "Within one job: by the joint fit's covariance, so that what both cylinders share, the encoder's mounting above all, does not count twice."
	squaresRule = "Between jobs: root of the sum of the squares. Instruments are taken as mounted anew and the doubts as independent; what both jobs share (rod, pin offset) usually makes the difference surer than told."
	chanceRule  = "At 95 %, one in twenty that do not differ looks as if it did."
)

// quantities is everything that can be held against each other of two cylinders.
func (k *comparison) quantities(p *pair, a, b fit.Cylinder) []quantity {
	rows := []quantity{p.index(a, b), p.throw(a, b), p.top(a, b),
		plainRow("deck", "mm", true, a.DeckMM, b.DeckMM, "the doubt of a zero set by hand on the deck is not known").doubted(a.DeckU95MM, b.DeckU95MM),
		plainRow("dwell", "deg", false, a.DwellDeg, b.DwellDeg, "it follows from the display's step and the crank"),
		{Name: "peak", Unit: "mm", Value: a.PeakMM, U95: a.PeakU95MM, RefValue: b.PeakMM, RefU95: b.PeakU95MM, Why: "every zeroing of the display has a zero of its own"},
		scaleRow(a, b),
		plainRow("rms", "mm", false, k.rms(p.Job.ID, p.Cylinder), k.rms(p.RefJob.ID, p.RefCylinder), "it is a scatter; no doubt of it is known")}
	return rows
}

func (p *pair) sameJob() bool { return p.Job.ID == p.RefJob.ID }

// index is index error less index error.
func (p *pair) index(a, b fit.Cylinder) quantity {
	q := quantity{Name: "index_error", Unit: "deg", Engine: true, Value: a.IndexErrorDeg, U95: a.IndexU95Deg, RefValue: b.IndexErrorDeg, RefU95: b.IndexU95Deg}
	if q.unknown(a, b) {
		return q
	}
	if p.sameJob() {
		if deg, u95, ok := p.Job.Index.Between(a.Number, b.Number); ok {
			q.judge(deg, u95, byJointFit)
			return q
		}
	}
	if p.referenceOfBoth(a, b) {
		q.Why = "both are the reference: 0 by definition"
		return q
	}
	q.judge(foldTurn(*q.Value-*q.RefValue), math.Hypot(deref(q.U95), deref(q.RefU95)), bySquares)
	return q
}

// throw is throw error less throw error. Where pin offsets add nothing to the
// doubts, it is as sure as the index errors' difference.
func (p *pair) throw(a, b fit.Cylinder) quantity {
	q := quantity{Name: "throw_error", Unit: "deg", Engine: true, Value: a.ThrowErrorDeg, U95: a.ThrowU95Deg, RefValue: b.ThrowErrorDeg, RefU95: b.ThrowU95Deg}
	if q.unknown(a, b) {
		return q
	}
	if p.referenceOfBoth(a, b) {
		q.Why = "both are the reference: 0 by definition"
		return q
	}
	diff := foldTurn(*q.Value - *q.RefValue)
	plain := deref(a.ThrowU95Deg) == deref(a.IndexU95Deg) && deref(b.ThrowU95Deg) == deref(b.IndexU95Deg)
	if _, u95, ok := p.Job.Index.Between(a.Number, b.Number); ok && plain && p.sameJob() {
		q.judge(diff, u95, byJointFit)
		return q
	}
	q.judge(diff, math.Hypot(deref(q.U95), deref(q.RefU95)), bySquares)
	return q
}

// top is how far apart two tops of one job lie. Between jobs it says nothing:
// the encoder was mounted anew.
func (p *pair) top(a, b fit.Cylinder) quantity {
	q := quantity{Name: "top", Unit: "deg", Engine: true, Value: a.TDCDeg, U95: a.TDCU95Deg, RefValue: b.TDCDeg, RefU95: b.TDCU95Deg}
	deg, u95, ok := p.Job.Index.Between(a.Number, b.Number)
	switch {
	case !p.sameJob():
		q.Why = "each mounting of the encoder has a zero of its own"
	case !ok:
		q.Why = "one of them is not known"
	default:
		apart := math.Mod(a.NominalDeg-b.NominalDeg+deg+720, 360)
		q.Difference, q.DifferenceU, q.DoubtBy = &apart, &u95, byJointFit
		q.Why = "judged as the index error"
	}
	return q
}

func (p *pair) referenceOfBoth(a, b fit.Cylinder) bool {
	return a.Number == p.Job.Index.ReferenceCylinder && b.Number == p.RefJob.Index.ReferenceCylinder
}

// scaleRow: the scale belongs to how the probe stood, not to the engine.
func scaleRow(a, b fit.Cylinder) quantity {
	q := quantity{Name: "scale", Value: a.Scale, U95: a.ScaleU95, RefValue: b.Scale, RefU95: b.ScaleU95}
	if a.ScaleU95 == nil || b.ScaleU95 == nil {
		q.Why = "one of them is not known"
		return q
	}
	q.judge(*a.Scale-*b.Scale, math.Hypot(*a.ScaleU95, *b.ScaleU95), bySquares)
	return q
}

func plainRow(name, unit string, engine bool, a, b *float64, why string) quantity {
	q := quantity{Name: name, Unit: unit, Engine: engine, Value: a, RefValue: b, Why: why}
	if a == nil || b == nil {
		q.Why = "one of them is not known"
		return q
	}
	diff := *a - *b
	q.Difference = &diff
	return q
}

// doubted gives both values the doubts they have for themselves.
func (q quantity) doubted(a, b *float64) quantity {
	q.U95, q.RefU95 = a, b
	return q
}

// unknown says why one of the two is not known, if so.
func (q *quantity) unknown(a, b fit.Cylinder) bool {
	switch {
	case q.Value == nil:
		q.Why = whyNone(a)
	case q.RefValue == nil:
		q.Why = "the other: " + whyNone(b)
	}
	return q.Why != ""
}

func (q *quantity) judge(diff, u95 float64, by string) {
	larger := math.Abs(diff) > u95
	q.Difference, q.DifferenceU, q.Significant, q.DoubtBy = &diff, &u95, &larger, by
}

// foldTurn folds an angle into ±180: tops repeat every turn.
func foldTurn(deg float64) float64 { return deg - 360*math.Round(deg/360) }

// rms is the scatter of the chosen sweeps of one cylinder; nil: none is chosen.
func (k *comparison) rms(job int64, cylinder int) *float64 {
	var sum, n float64
	for i := range k.Curves {
		c := &k.Curves[i]
		if c.group() != (group{job, cylinder}) || c.Why != "" {
			continue
		}
		for j, used := range c.Used {
			if used {
				sum, n = sum+c.ResidMM[j]*c.ResidMM[j], n+1
			}
		}
	}
	if n == 0 {
		return nil
	}
	v := math.Sqrt(sum / n)
	return &v
}

// Words is a quantity's name as people say it.
func (q quantity) Words() string { return strings.ReplaceAll(q.Name, "_", " ") }
