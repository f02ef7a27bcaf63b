package dashboards

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html/template"
	"net/http"
	"strings"
)

// paperStyle is the style of a page that is printed or kept, put into the page:
// its sheets, then its margins; and the policy that lets it have that and no other.
func paperStyle(margins string, sheets ...string) (style template.CSS, policy string, err error) {
	var all strings.Builder
	for _, name := range sheets {
		b, err := staticFiles.ReadFile("static/" + name)
		if err != nil {
			return "", "", err
		}
		all.Write(b)
	}
	all.WriteString(margins)
	sum := sha256.Sum256([]byte(all.String()))
	policy = "default-src 'none'; script-src 'self'; connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; style-src 'sha256-" +
		base64.StdEncoding.EncodeToString(sum[:]) + "'"
	return template.CSS(all.String()), policy, nil
}

// writePaper answers with such a page; file names one that is to be kept, "": it is shown.
func writePaper(w http.ResponseWriter, policy, file string, page []byte) {
	if file != "" {
		w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s"`, file))
	}
	w.Header().Set("Content-Security-Policy", policy)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Write(page) //nolint:errcheck // the client left
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
