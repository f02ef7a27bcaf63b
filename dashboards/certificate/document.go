// Package certificate is what an issued certificate of an instrument holds, and
// how it is made of a calibration as it stands in the store.
package certificate

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"time"

	"crownmark/dashboards/report"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

// Schema names the document's shape. Within it keys are only added.
const Schema = "crownmark-certificate-1"

// Document is a certificate, frozen once it is issued: whatever shows it, shows
// this. Unknown is null or an empty text.
type Document struct {
	Schema      string                   `json:"schema"`
	Number      int64                    `json:"number"`  // 0: a draft
	Version     int64                    `json:"version"` // of the instrument
	IssuedAt    *time.Time               `json:"issued_at"`
	DueAt       *time.Time               `json:"due_at"`
	Software    string                   `json:"software"`
	Platform    string                   `json:"platform"`
	Simulated   bool                     `json:"simulated"`
	Ledger      Ledger                   `json:"ledger"`
	Instrument  Registered               `json:"instrument"`
	Reference   *Registered              `json:"reference"`   // null: nobody said what it was held against
	Calibration *Run                     `json:"calibration"` // null: an encoder's
	Job         *int64                   `json:"job"`         // of an encoder's certificate
	Points      []Point                  `json:"points"`
	Result      *calibrate.Result        `json:"result"`  // null: an encoder's
	Encoder     *calibrate.EncoderResult `json:"encoder"` // null: an indicator's
	Limits      map[string]float64       `json:"limits"`
	Verdict     map[string]string        `json:"verdict"`
	Overall     string                   `json:"overall"` // "": nothing was judged
	Rule        string                   `json:"rule"`
	MeasuredBy  string                   `json:"measured_by"`
	Cautions    []string                 `json:"cautions"`
	Signatures  []string                 `json:"signatures"` // the lines to sign on
}

// Ledger is the commit up to which the store was read.
type Ledger struct {
	ID   int64  `json:"id"`
	Hash string `json:"hash"` // of the whole chain up to it
}

// Registered is an instrument as the register had it.
type Registered struct {
	ID       int64                  `json:"id"`
	Revision int64                  `json:"revision"`
	Record   store.InstrumentRecord `json:"record"`
}

// Run is the calibration that the certificate is of.
type Run struct {
	ID         int64                       `json:"id"`
	Plan       store.CalibrationPlan       `json:"plan"`
	Conditions store.CalibrationConditions `json:"conditions"`
	BegunAt    time.Time                   `json:"begun_at"`
	EndedAt    *time.Time                  `json:"ended_at"`
}

// Point is a point as it was taken.
type Point struct {
	ID          int64               `json:"id"`
	Run         int                 `json:"run"`
	Direction   calibrate.Direction `json:"direction"`
	ReferenceMM float64             `json:"reference_mm"`
	ReadingMM   float64             `json:"reading_mm"`
	ErrorMM     float64             `json:"error_mm"` // reading − reference
	Raw         string              `json:"raw"`
	Indicator   string              `json:"indicator"` // the bench's name of what was read
	TakenBack   bool                `json:"taken_back"`
	At          time.Time           `json:"at"`
}

// Evaluator is calibrate.Evaluate, or what stands for it.
type Evaluator func([]calibrate.Point, calibrate.Options) (calibrate.Result, error)

// Options are how a calibration is evaluated.
func Options(s store.CalibrationStanding) calibrate.Options {
	o := calibrate.DefaultOptions()
	o.ResolutionMM, o.Limits = s.Instrument.Record.ResolutionMM, limitsOf(s.Instrument.Record)
	if span := s.Calibration.Plan.LocalSpanMM; span > 0 {
		o.LocalSpanMM = span
	}
	c := s.Calibration.Conditions
	o.TemperatureC = c.TemperatureC
	if c.TemperatureU95C != nil {
		o.TempU95C = *c.TemperatureU95C
	}
	if r := s.Reference; r != nil {
		o.Reference.Kind, o.Reference.PerM = r.Record.Kind, r.Record.U95PerMMM
		if u := r.Record.U95MM; u != nil {
			o.Reference.U95MM, o.Reference.Stated = *u, true
		}
	}
	return o
}

// limitsOf are the shop's limits, and the defaults for a dial of its range and
// step where it set none.
func limitsOf(r store.InstrumentRecord) map[string]float64 {
	limits := map[string]float64{}
	if r.RangeMM > 0 && r.ResolutionMM > 0 {
		maps.Copy(limits, calibrate.DefaultLimits(r.ResolutionMM, r.RangeMM))
	}
	maps.Copy(limits, r.LimitsMM)
	return limits
}

// usualLimits are those of limits that the shop did not set itself, by name.
func usualLimits(limits map[string]float64, r store.InstrumentRecord) []string {
	return slices.DeleteFunc(slices.Sorted(maps.Keys(limits)), func(name string) bool {
		_, own := r.LimitsMM[name]
		return own
	})
}

// OwnLimits says whether the shop set every limit itself.
func (d Document) OwnLimits() bool { return len(usualLimits(d.Limits, d.Instrument.Record)) == 0 }

// Draft makes the document of a calibration, without a number. The same standing
// makes the same document.
func Draft(s store.CalibrationStanding, software string, evaluate Evaluator) (Document, error) {
	result, err := evaluate(s.Calibration.Counted(), Options(s))
	if err != nil {
		return Document{}, fmt.Errorf("calibration %d: %w", s.Calibration.ID, err)
	}
	d := blank(s.Instrument, software)
	c := s.Calibration
	d.Ledger, d.Simulated, d.MeasuredBy = Ledger{s.Ledger, s.LedgerHash}, c.Simulated, c.Conditions.MeasuredBy
	d.Calibration = &Run{c.ID, c.Plan, c.Conditions, c.CreatedAt, c.EndedAt}
	d.Reference = registered(s.Reference)
	d.DueAt = dueAfter(s.Instrument.Record, *cmp.Or(c.EndedAt, &c.CreatedAt))
	d.Points = PointsOf(c)
	d.Result, d.Overall, d.Rule = &result, result.Overall, result.Rule
	maps.Copy(d.Limits, result.Limits)
	maps.Copy(d.Verdict, result.Verdict)
	d.Cautions = append(append([]string{}, result.Warnings...), cautions(s)...)
	return d, nil
}

// PointsOf are a calibration's points, those taken back too.
func PointsOf(c store.Calibration) []Point {
	points := make([]Point, 0, len(c.Points))
	for _, p := range c.Points {
		points = append(points, Point{p.ID, p.Run, p.Direction, p.ReferenceMM, p.ReadingMM, p.ErrorMM(), p.Raw, p.Indicator, p.TakenBack, p.At})
	}
	return points
}

func blank(i store.Instrument, software string) Document {
	return Document{Schema: Schema, Software: software, Platform: runtime.GOOS + "/" + runtime.GOARCH, Instrument: *registered(&i),
		Points: []Point{}, Limits: map[string]float64{}, Verdict: map[string]string{}, Cautions: []string{}, Signatures: []string{"Measured by", "Checked by", "Date"}}
}

func registered(i *store.Instrument) *Registered {
	if i == nil {
		return nil
	}
	return &Registered{i.ID, i.Revision, i.Record}
}

// cautions say what the person who signs should know.
func cautions(s store.CalibrationStanding) (list []string) {
	for _, name := range usualLimits(limitsOf(s.Instrument.Record), s.Instrument.Record) {
		list = append(list, fmt.Sprintf("The limit of %s is not the shop's own: it is the usual one for a dial of this range and step (JIS B 7503:2011).", name))
	}
	if s.Reference == nil {
		return append(list, "It is not said what the instrument was held against: the figures rest on nothing that can be traced.")
	}
	r := s.Reference.Record
	if r.CertificateNumber == "" {
		list = append(list, "The reference has no certificate on record.")
	}
	if r.DueAt != nil && s.Calibration.CreatedAt.After(*r.DueAt) {
		list = append(list, "The reference's own calibration was past its due date.")
	}
	return list
}

// Freeze is the document's bytes under a number.
func (d Document) Freeze(number, version int64, at time.Time) ([]byte, error) {
	d.Number, d.Version, d.IssuedAt = number, version, &at
	return json.Marshal(d)
}

// Read reads an issued certificate's document and holds it against its hash.
func Read(c store.Certificate) (Document, error) {
	if sum := report.HashOf(c.Document); sum != c.Hash {
		return Document{}, fmt.Errorf("certificate %d: its document is not what was issued (SHA-256 %s, issued with %s); run `crownmark verify`", c.Number, sum, c.Hash)
	}
	return parse(c)
}

func parse(c store.Certificate) (d Document, err error) {
	if err := json.Unmarshal(c.Document, &d); err != nil {
		return d, fmt.Errorf("certificate %d: its document cannot be read; run `crownmark verify`: %w", c.Number, err)
	}
	if d.Schema != Schema {
		return d, fmt.Errorf("certificate %d: its document is of another kind (%q); use the crownmark that issued it", c.Number, d.Schema)
	}
	return d, nil
}
