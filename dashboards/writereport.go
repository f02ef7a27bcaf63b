package dashboards

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html/template"
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
	style, err := staticFiles.ReadFile("static/report.css")
	if err != nil {
		return "", err
	}
	v.Style = template.CSS(string(style) + v.margins(say))
	sum := sha256.Sum256([]byte(v.Style))
	policy = "default-src 'none'; script-src 'self'; connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; style-src 'sha256-" +
		base64.StdEncoding.EncodeToString(sum[:]) + "'"
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

// pageMargins is the style of what stands on each printed page: what it is, what
// is to be known about it, and what it rests on.
func pageMargins(paper, title, about, ledger string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "@page{size:%s;margin:19mm 14mm 17mm;", paper)
	box := func(at, content, more string) {
		fmt.Fprintf(&b, "@%s{content:%s;font:7.5pt/1.3 \"Liberation Sans\",Arial,Helvetica,sans-serif;color:#000;%s}", at, content, more)
	}
	box("top-left", cssText(title), "")
	if about != "" {
		box("top-right", cssText(about), "font-weight:bold")
	}
	box("bottom-left", cssText(ledger), "font-size:6pt;width:85%;text-align:left")
	box("bottom-right", `counter(page) " / " counter(pages)`, "width:15%")
	b.WriteString("}\n")
	return b.String()
}

// cssText quotes a text for a style sheet: whatever is not plainly harmless is
// escaped by its number.
func cssText(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		if r < 128 && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != ' ' && r != ':' && r != ',' {
			fmt.Fprintf(&b, `\%x `, r)
			continue
		}
		b.WriteRune(r)
	}
	b.WriteByte('"')
	return b.String()
}
