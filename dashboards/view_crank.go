package dashboards

import (
	"encoding/csv"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"crownmark/fit"
	"crownmark/fit/engine"
)

// crankView is the index view: the crank seen from the damper end.
type crankView struct {
	Job         jobDoc
	EngineText  string
	Index       fit.Index
	Rows        []cylinderRow
	Star, Strip template.HTML
	Factor      string
	Runs        string
	Common      string
	Copied      string // the trims as a controller's table takes them
	Known       bool   // the best common zero is
}

func (s *Server) crankPage(w http.ResponseWriter, r *http.Request) error {
	job, err := s.pathJob(r)
	if err != nil {
		return err
	}
	x := s.indexOrEmpty(r.Context(), job.ID)
	say := s.sayer(r)
	v := crankView{Job: jobOf(job), EngineText: saidByParts(engineText(job.Engine), say), Index: x, Runs: runsText(job.Engine), Common: capital(say(fit.CommonWords(x))), Known: x.CommonZeroDeg != nil, Copied: trimsText(x)}
	for _, c := range x.Cylinders {
		row := cylinderRow{Cylinder: c, Reference: c.Number == x.ReferenceCylinder, Shape: c.Verdict}
		if row.Reference {
			row.Shape = "reference"
		}
		v.Rows = append(v.Rows, row)
	}
	if len(x.Cylinders) > 0 {
		var factor float64
		v.Star, factor = crankSVG(x, handOf(job.Engine), say)
		v.Strip, v.Factor = commonSVG(x, say), times(factor)
	}
	return s.render(w, r, http.StatusOK, "crank", frame{Title: "Crank", Here: "jobs", Page: v, Simulated: job.Simulated || x.Simulated})
}

// capital makes a sentence of what begins small.
func capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[size:] + "."
}

// saidByParts says a line of parts with dots between them, each part for itself.
func saidByParts(line string, say sayer) string {
	parts := strings.Split(line, " · ")
	for i := range parts {
		parts[i] = say(parts[i])
	}
	return strings.Join(parts, " · ")
}

// sayer speaks the language that this browser has chosen.
func (s *Server) sayer(r *http.Request) sayer {
	lang := displayOf(r).Language
	return func(text string, args ...any) string { return s.pages.texts.say(lang, text, args...) }
}

// handOf is +1 for an engine that runs clockwise seen from the damper end, else −1.
func handOf(e engine.Engine) float64 {
	if e.RunningDirection == "anticlockwise" {
		return -1
	}
	return 1
}

// trimsText is one line a cylinder: number, tab, advance to add. A trim that is
// not issued is no number.
func trimsText(x fit.Index) string {
	var b strings.Builder
	for _, c := range x.Cylinders {
		text := "no trim"
		if c.TrimSetDeg != nil {
			text = strings.Replace(trimText(c.TrimSetDeg), "−", "-", 1)
		}
		fmt.Fprintf(&b, "%d\t%s\n", c.Number, text)
	}
	return b.String()
}

// getCrankCSV is the index view's table, unrounded.
func (s *Server) getCrankCSV(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	x, err := s.solver.index(r.Context(), id)
	if err != nil {
		return err
	}
	w.Header().Set("ETag", etag(*x.Revision))
	out := csvTo(w, fmt.Sprintf("crank-%d.csv", id))
	c := csv.NewWriter(out)
	c.Write(strings.Split("cylinder,nominal_deg,index_error_deg,index_u95_deg,throw_error_deg,throw_u95_deg,verdict,"+ //nolint:errcheck // Flush tells
		"from_common_deg,from_common_u95_deg,common_verdict,crankpin_mm,crankpin_u95_mm,trim_deg,trim_set_deg,left_deg", ","))
	for _, y := range x.Cylinders {
		c.Write([]string{strconv.Itoa(y.Number), cell(&y.NominalDeg), cell(y.IndexErrorDeg), cell(y.IndexU95Deg), cell(y.ThrowErrorDeg), cell(y.ThrowU95Deg), y.Verdict, //nolint:errcheck // Flush tells
			cell(y.FromCommonDeg), cell(y.FromCommonU95Deg), y.CommonVerdict, cell(y.CrankpinMM), cell(y.CrankpinU95MM), cell(y.TrimDeg), cell(y.TrimSetDeg), cell(y.LeftDeg)})
	}
	c.Flush()
	return out.end(c.Error())
}
