package dashboards

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"math"
	"net/http"
	"strings"
	"time"

	"crownmark/dashboards/certificate"
	"crownmark/fit/calibrate"
)

// certificateView is a certificate as the template needs it; no figure in it is
// computed, all are the document's own.
type certificateView struct {
	certificate.Document
	plot    calPlot
	Display display
	Paper   string
	Hash    string
	Style   template.CSS
	File    bool // to be kept or mailed: nothing leads elsewhere
	Found   []characteristic
	Graph   template.HTML
}

// certificate executes the template and returns the policy that its response needs.
func (p *pages) certificate(w io.Writer, d certificate.Document, hash string, look ReportLook, file bool) (policy string, err error) {
	t, ok := p.sets[pageKey{"certificate", look.Language, look.Length}]
	if !ok {
		return "", fmt.Errorf("a certificate is shown in %s, %s", strings.Join(languages, " or "), strings.Join(lengths, " or "))
	}
	say := func(text string, args ...any) string { return p.texts.say(look.Language, text, args...) }
	v := certificateView{Document: d, plot: calPlot{say, look.Length == "in"}, Display: display{look.Language, look.Length, looks[0]}, Paper: look.Paper, Hash: hash, File: file}
	if d.Result != nil {
		v.Found, v.Graph = characteristicsOf(*d.Result), v.plot.errorGraph(*d.Result)
	}
	if v.Style, policy, err = paperStyle(v.margins(say), "report.css", "calplot.css", "certificate.css"); err != nil {
		return "", err
	}
	return policy, t.ExecuteTemplate(w, "certificate.html", v)
}

// margins is the style of what stands on each printed page.
func (v certificateView) margins(say sayer) string {
	about := ""
	if v.Simulated {
		about = say("SIMULATED: no instrument was calibrated")
	}
	return pageMargins(v.Paper, say("Certificate %s", fmt.Sprint(v.Number))+" · "+v.Instrument.Record.Name, about, say("Ledger head")+" "+v.Ledger.Hash)
}

func (s *Server) certificatePage(w http.ResponseWriter, r *http.Request) error {
	return s.showCertificate(w, r, false)
}

// certificateFile is the same to be kept or mailed.
func (s *Server) certificateFile(w http.ResponseWriter, r *http.Request) error {
	return s.showCertificate(w, r, true)
}

func (s *Server) showCertificate(w http.ResponseWriter, r *http.Request, file bool) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	issued, err := s.store.Certificate(r.Context(), id)
	if err != nil {
		return err
	}
	d, err := certificate.Read(issued)
	if err != nil {
		return err
	}
	look, err := lookOf(r)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	policy, err := s.pages.certificate(&b, d, issued.Hash, look, file)
	if err != nil {
		return err
	}
	name := ""
	if file {
		name = fmt.Sprintf("certificate-%d.html", issued.Number)
	}
	writePaper(w, policy, name, b.Bytes())
	return nil
}

// Of is the instrument's record.
func (v certificateView) Of() any { return v.Instrument.Record }

// Against is the reference as the register had it.
func (v certificateView) Against() any {
	if v.Reference == nil {
		return nil
	}
	return v.Reference.Record
}

// ReferenceDue is the day; "": not said.
func (v certificateView) ReferenceDue() string {
	if v.Reference == nil || v.Reference.Record.DueAt == nil {
		return ""
	}
	return v.Reference.Record.DueAt.UTC().Format(time.DateOnly)
}

// ReferenceDoubt is what the reference is known to.
func (v certificateView) ReferenceDoubt() string {
	if v.Reference == nil {
		return v.plot.say("not known")
	}
	return v.plot.doubtOf(v.Reference.Record)
}

// Due is the day on which it is due again; "": never.
func (v certificateView) Due() string {
	if v.DueAt == nil {
		return ""
	}
	return v.DueAt.UTC().Format(time.DateOnly)
}

// Made is when the points were taken.
func (v certificateView) Made() string {
	c := v.Calibration
	switch {
	case c == nil:
		return v.plot.say("from a job’s sweeps")
	case c.EndedAt == nil:
		return whenText(c.BegunAt)
	}
	return spanText(c.BegunAt, *c.EndedAt)
}

// Warmth is what was said of the temperature.
func (v certificateView) Warmth() string {
	if v.Calibration == nil || v.Calibration.Conditions.TemperatureC == nil {
		return v.plot.say("not taken")
	}
	c := v.Calibration.Conditions
	text := signed(*c.TemperatureC, 1)
	if c.TemperatureU95C != nil {
		text += " ± " + signed(*c.TemperatureU95C, 1)
	}
	text += " °C"
	if c.SoakMin != nil {
		text += ", " + v.plot.say("together for %s min before", signed(*c.SoakMin, 0))
	}
	return text
}

// Scheme is how the points were laid.
func (v certificateView) Scheme() string {
	if v.Calibration == nil {
		return ""
	}
	return v.Calibration.Plan.Scheme
}

// Unzeroed tells that the display did not show what the reference said at the
// first point, by more than indicators are wrong by.
func (v certificateView) Unzeroed() bool {
	const plainlyMM = 0.05
	points := v.Counted()
	return len(points) > 0 && math.Abs(points[0].ErrorMM) > plainlyMM
}

// Span is what the local error is taken over, with its unit.
func (v certificateView) Span() string {
	place, _ := v.plot.units()
	return plainNumber(v.plot.large(v.Result.LocalSpanMM)) + " " + place
}

// Halves is the correction in two tables beside each other, or in one where it is
// short.
func (v certificateView) Halves() [][]calibrate.Knot {
	const short = 6
	if v.Result == nil || len(v.Result.Correction) == 0 {
		return nil
	}
	list := v.Result.Correction
	if len(list) <= short {
		return [][]calibrate.Knot{list}
	}
	half := (len(list) + 1) / 2
	return [][]calibrate.Knot{list[:half], list[half:]}
}

// Digits are the decimals that the display has, in mm.
func (v certificateView) Digits() int {
	if r := v.Instrument.Record.ResolutionMM; r > 0 && r < 0.001 {
		return 4
	}
	return 3
}

// Counted are the points that count.
func (v certificateView) Counted() (list []certificate.Point) {
	for _, p := range v.Points {
		if !p.TakenBack {
			list = append(list, p)
		}
	}
	return list
}

// readingsOf is a result, or an empty one for an encoder.
func readingsOf(d certificate.Document) calibrate.Result {
	if d.Result == nil {
		return calibrate.Result{}
	}
	return *d.Result
}
