package dashboards

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"crownmark/acquire"
	"crownmark/dashboards/report"
	"crownmark/fit"
)

// reportView is a report, issued or a draft, as the template needs it.
type reportView struct {
	report.Document
	Display     display
	Paper       string
	Hash        string // of the frozen document; "": a draft
	Style       template.CSS
	File        bool // to be kept or mailed: nothing leads elsewhere
	TurnBack    string
	Verdicts    []verdictGroup
	Closure     string
	Rows        []reportRow
	Scale       template.HTML // the head over the rows' drawings
	Curves      []reportPlot
	Sources     []budgetRow
	Instruments []instrumentRow
	Flags       []fit.RaisedFlag
	Tells       *tellsView
	Steps       *tellsView
	Issued      []reportDoc // of a draft's job
	By          []string    // who has measured so far, latest first
	Since       []sinceIssued
}

// sinceIssued is an instrument that an issued report rests on and that was found
// bad afterwards. It stands beside the report, which never changes.
type sinceIssued struct {
	Instrument, Certificate int64
	Name                    string
}

type verdictGroup struct {
	Verdict   string
	Cylinders []int
}

// reportRow is a cylinder with its throw error drawn against the limit.
type reportRow struct {
	cylinderRow
	Drawn template.HTML
}

type reportPlot struct {
	Number int
	Plot   template.HTML // "": not swept
	Why    string
}

// budgetRow is one source of doubt over all cylinders.
type budgetRow struct {
	Source, HowKnown string
	UDeg             []*float64 // by cylinder; nil: no share
	most             float64
}

// instrumentRow is an instrument with one set of settings, however often opened.
type instrumentRow struct {
	report.Instrument
	Settings acquire.InstrumentConfig
	Openings int
}

func reportViewOf(d report.Document, look ReportLook, say func(string, ...any) string) (reportView, error) {
	x := d.Index
	v := reportView{Document: d, Display: display{look.Language, look.Length, looks[0]}, Paper: look.Paper,
		TurnBack: turnBackText(d.Engine), Closure: fit.ClosureWords(x), Flags: x.RaisedFlags(),
		Verdicts: verdictGroups(x), Sources: budgetRows(x)}
	reach := errorReach(x)
	v.Scale = errorScale(x.IndexLimitDeg, reach)
	var rows []cylinderRow
	for _, c := range x.Cylinders {
		row := cylinderRow{Cylinder: c, Reference: c.Number == x.ReferenceCylinder, Shape: c.Verdict}
		if row.Reference {
			row.Shape = "reference"
		}
		rows = append(rows, row)
		v.Rows = append(v.Rows, reportRow{row, errorStrip(c, row.Shape, x.IndexLimitDeg, reach)})
	}
	v.Tells, v.Steps = tellsOf(rows)
	v.Curves = reportPlots(d, say)
	var err error
	v.Instruments, err = instrumentRows(d.Instruments)
	return v, err
}

func verdictGroups(x fit.Index) []verdictGroup {
	groups := []verdictGroup{{Verdict: fit.Outside}, {Verdict: fit.Undecided}, {Verdict: fit.Within}}
	for _, c := range x.Cylinders {
		for i := range groups {
			if groups[i].Verdict == c.Verdict && c.Number != x.ReferenceCylinder {
				groups[i].Cylinders = append(groups[i].Cylinders, c.Number)
			}
		}
	}
	return slices.DeleteFunc(groups, func(g verdictGroup) bool { return len(g.Cylinders) == 0 })
}

// budgetRows turns the cylinders' budgets into one table, the largest source first.
func budgetRows(x fit.Index) []budgetRow {
	var rows []budgetRow
	for i, c := range x.Cylinders {
		for _, share := range c.Budget {
			at := slices.IndexFunc(rows, func(r budgetRow) bool { return r.Source == share.Source })
			if at < 0 {
				at = len(rows)
				rows = append(rows, budgetRow{Source: share.Source, HowKnown: share.HowKnown, UDeg: make([]*float64, len(x.Cylinders))})
			}
			u := share.UDeg
			if old := rows[at].UDeg[i]; old != nil {
				u = math.Hypot(u, *old)
			}
			rows[at].UDeg[i] = &u
			rows[at].most = max(rows[at].most, u)
			if !strings.Contains(rows[at].HowKnown, share.HowKnown) {
				rows[at].HowKnown += ", " + share.HowKnown
			}
		}
	}
	slices.SortStableFunc(rows, func(a, b budgetRow) int { return cmp.Compare(b.most, a.most) })
	return rows
}

func instrumentRows(list []report.Instrument) ([]instrumentRow, error) {
	var rows []instrumentRow
	for _, i := range list {
		at := slices.IndexFunc(rows, func(r instrumentRow) bool {
			return r.Kind == i.Kind && r.Name == i.Name && r.Identity == i.Identity && bytes.Equal(r.Config, i.Config)
		})
		if at < 0 {
			at = len(rows)
			row := instrumentRow{Instrument: i}
			if err := json.Unmarshal(i.Config, &row.Settings); err != nil {
				return nil, fmt.Errorf("stream %d: its kept configuration cannot be read: %w", i.Stream, err)
			}
			rows = append(rows, row)
		}
		rows[at].Openings++
	}
	return rows, nil
}
