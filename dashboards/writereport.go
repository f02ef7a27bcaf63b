package dashboards

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"

	"crownmark/dashboards/report"
)

// ReportLook is how a report is shown; nothing in it changes a figure.
type ReportLook struct {
	Language string // "en" or "de"; "": English
	Length   string // "mm" or "in"; "": mm
	Paper    string // "A4" or "letter"; "": A4
}

var papers = []string{"A4", "letter"}

// onceParsed parses the pages once in a process, for those without a Server.
var onceParsed = sync.OnceValues(newPages)

// WriteReport writes a report as one HTML file that needs nothing else: hash is
// its frozen document's, "" for a draft.
func WriteReport(w io.Writer, d report.Document, hash string, look ReportLook) error {
	p, err := onceParsed()
	if err != nil {
		return err
	}
	_, err = p.report(w, d, look, func(v *reportView) { v.Hash, v.File = hash, true })
	return err
}

// report executes the report's template and returns the policy that its
// response needs.
func (p *pages) report(w io.Writer, d report.Document, look ReportLook, more func(*reportView)) (policy string, err error) {
	look = ReportLook{cmp.Or(look.Language, languages[0]), cmp.Or(look.Length, lengths[0]), cmp.Or(look.Paper, papers[0])}
	t, ok := p.sets[pageKey{"report", look.Language, look.Length}]
	if !ok || !slices.Contains(papers, look.Paper) {
		return "", fmt.Errorf("a report is shown in %s, %s, on %s", strings.Join(languages, " or "), strings.Join(lengths, " or "), strings.Join(papers, " or "))
	}
	say := func(text string, args ...any) string { return p.texts.say(look.Language, text, args...) }
	v, err := reportViewOf(d, look, say)
	if err != nil {
		return "", err
	}
	more(&v)
	if v.Style, policy, err = paperStyle(v.margins(say), "report.css"); err != nil {
		return "", err
	}
	return policy, t.ExecuteTemplate(w, "report.html", v)
}

// margins is the style of what stands on each printed page.
func (v reportView) margins(say func(string, ...any) string) string {
	title := say("Draft, not issued")
	if v.Number > 0 {
		title = say("Report %s", fmt.Sprint(v.Number))
	}
	about := ""
	if v.Simulated {
		about = say("SIMULATED: no engine was measured")
	}
	return pageMargins(v.Paper, title+" · "+v.Job.Name, about, say("Ledger head")+" "+v.Ledger.Hash)
}
