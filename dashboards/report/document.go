// Package report is what an issued report holds, how it is made of a job as it
// stands in the store, and whether every figure of it still follows from the
// raw readings.
package report

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"crownmark/fit"
	"crownmark/fit/engine"
	"crownmark/store"
)

// Schema names the document's shape. Within it keys are only added.
const Schema = "crownmark-report-1"

// Measurand says what was measured.
const Measurand = "The crank angle at which each piston stands highest (its true top), against the reference cylinder's, in running direction: static, cold, plugs out, turned by hand."

// NoCalibration is printed where no calibration is cited.
const NoCalibration = "none on record"

// Document is a report, frozen once it is issued: whatever shows it, shows
// this. Unknown is null or an empty text.
type Document struct {
	Schema       string        `json:"schema"`
	Number       int64         `json:"number"` // 0: a draft
	IssuedAt     *time.Time    `json:"issued_at"`
	Software     string        `json:"software"`
	Platform     string        `json:"platform"` // two kinds of processor may round differently
	Simulated    bool          `json:"simulated"`
	Ledger       Ledger        `json:"ledger"`
	Job          Job           `json:"job"`
	Engine       engine.Engine `json:"engine"`
	Direction    *int          `json:"direction"` // of the encoder against running direction, as confirmed
	Measurand    string        `json:"measurand"`
	Stated       Stated        `json:"stated"`
	Calibrations []Calibration `json:"calibrations"`
	Instruments  []Instrument  `json:"instruments"`
	Sweeps       []Sweep       `json:"sweeps"`
	Presses      []Press       `json:"presses"`
	Index        fit.Index     `json:"index"`
	Curves       []Curve       `json:"curves"`
	Signs        []string      `json:"signs"`
	Cautions     []string      `json:"cautions"`
	Signatures   []string      `json:"signatures"` // the lines to sign on
}

// Ledger is the commit up to which the store was read.
type Ledger struct {
	ID   int64  `json:"id"`
	Hash string `json:"hash"` // of the whole chain up to it
}

// Job is the job as it stood.
type Job struct {
	ID             int64      `json:"id"`
	Name           string     `json:"name"`
	State          string     `json:"state"`
	EngineRevision int64      `json:"engine_revision"`
	BegunAt        time.Time  `json:"begun_at"`
	Stage          string     `json:"stage"`
	Customer       string     `json:"customer_reference"`
	Notes          string     `json:"notes"`
	Tags           []string   `json:"tags"`
	CautionsAt     *time.Time `json:"cautions_at"` // when the cautions were acknowledged
}

// Stated is what the person who issues the report says and no instrument saw.
type Stated struct {
	TemperatureC *float64 `json:"temperature_c"`
	Rings        string   `json:"rings"`       // one of RingsSaid
	EncoderEnd   string   `json:"encoder_end"` // one of EndsSaid
	MeasuredBy   string   `json:"measured_by"`
}

// What may be stated; "" is not said.
var (
	RingsSaid = []string{"fitted", "not fitted", ""}
	EndsSaid  = []string{"damper end", "flywheel end", ""}
)

// Calibration is how an indicator of the register stood with its calibration
// when sweeps were made with it.
type Calibration struct {
	Instrument string     `json:"instrument"` // its name in the register
	Number     string     `json:"number"`     // of its certificate; "": none
	At         *time.Time `json:"at"`         // when that was issued
	Registered int64      `json:"registered"` // its number in the register
	Indicator  string     `json:"indicator"`  // the bench's name
	Version    int64      `json:"version"`    // of the certificate; 0: none
	DueAt      *time.Time `json:"due_at"`     // null: it does not end, or there is none
	Overall    string     `json:"overall"`    // its verdict; "": nothing was judged
	State      string     `json:"state"`      // then: in_force, expired, failed, doubted or uncalibrated
	Sweeps     []int64    `json:"sweeps"`
}

// Words say how the indicator stood.
func (c Calibration) Words() string {
	switch c.State {
	case fit.CalibrationInForce:
		return "in force then"
	case fit.CalibrationExpired:
		return "past its due date then"
	case fit.CalibrationFailed:
		return "it had failed"
	case fit.CalibrationDoubted:
		return "good then, but its next calibration failed"
	}
	return "never calibrated before"
}

// Judged is the certificate's verdict in words; "": nothing was judged.
func (c Calibration) Judged() string { return strings.ReplaceAll(c.Overall, "_", " ") }

// String cites it in English.
func (c Calibration) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s (%s): ", c.Instrument, c.Indicator)
	if c.Number != "" {
		fmt.Fprintf(&b, "certificate %s, version %d, of %s UTC, ", c.Number, c.Version, c.At.UTC().Format("2006-01-02 15:04"))
	}
	if c.DueAt != nil {
		fmt.Fprintf(&b, "due %s, ", c.DueAt.UTC().Format(time.DateOnly))
	}
	if c.Overall != "" {
		fmt.Fprintf(&b, "%s, ", c.Judged())
	}
	return b.String() + c.Words()
}

// Instrument is one opening of one instrument, with its settings as kept.
type Instrument struct {
	Stream    int64           `json:"stream"`
	Kind      string          `json:"kind"`
	Name      string          `json:"name"`
	Port      string          `json:"port"`
	Identity  string          `json:"identity"`
	OpenedAt  time.Time       `json:"opened_at"`
	Simulated bool            `json:"simulated"`
	Config    json.RawMessage `json:"config"`
}

// Sweep is one sweep, used or not.
type Sweep struct {
	ID        int64      `json:"id"`
	Cylinder  int        `json:"cylinder"`
	Indicator string     `json:"indicator"`
	Direction int        `json:"direction"` // +1 forward, −1 turning back, 0 not known
	Mount     int        `json:"mount"`
	Setup     int        `json:"setup"`
	Zeroing   int        `json:"zeroing"`
	Readings  int64      `json:"readings"`
	BegunAt   time.Time  `json:"begun_at"`
	EndedAt   *time.Time `json:"ended_at"`
	Cause     string     `json:"cause"` // why it ended
	SetAside  bool       `json:"set_aside"`
	Reason    string     `json:"reason"`      // why it was set aside
	Used      bool       `json:"used"`        // it has a say in the tops
	AngleUDeg float64    `json:"angle_u_deg"` // above 0: a person read it off degree marks, each to this standard uncertainty
}

// Press is one press of a damper mark.
type Press struct {
	ID       int64   `json:"id"`
	MarkDeg  float64 `json:"mark_deg"`
	AngleDeg float64 `json:"angle_deg"` // of the encoder
	Mount    int     `json:"mount"`
	Approach int     `json:"approach"`
}

// Curve is one sweep's curve as it is drawn: some of its readings, rounded.
type Curve struct {
	Sweep      int64     `json:"sweep"`
	Cylinder   int       `json:"cylinder"`
	Direction  int       `json:"direction"`
	XDeg       []float64 `json:"x_deg"` // after its cylinder's own top
	HeightMM   []float64 `json:"height_mm"`
	ResidualUM []float64 `json:"residual_um"`
	LeftOut    []int     `json:"left_out"` // which of these readings had no say
}

// Read reads an issued report's document and holds it against its hash.
func Read(r store.Report) (Document, error) {
	if sum := HashOf(r.Document); sum != r.Hash {
		return Document{}, fmt.Errorf("report %d: its document is not what was issued (SHA-256 %s, issued with %s); run `crownmark verify`", r.Number, sum, r.Hash)
	}
	return parse(r)
}

// HashOf is a frozen document's SHA-256, hex.
func HashOf(document []byte) string {
	sum := sha256.Sum256(document)
	return hex.EncodeToString(sum[:])
}

func parse(r store.Report) (Document, error) {
	var d Document
	if err := json.Unmarshal(r.Document, &d); err != nil {
		return d, fmt.Errorf("report %d: its document cannot be read; run `crownmark verify`: %w", r.Number, err)
	}
	if d.Schema != Schema {
		return d, fmt.Errorf("report %d: its document is of another kind (%q); use the crownmark that issued it", r.Number, d.Schema)
	}
	return d, nil
}
