package dashboards

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io/fs"
	"maps"
	"net/http"
	"strings"
	"time"

	"crownmark/fit"
	"crownmark/fit/engine"
	"crownmark/store"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed static/*
var staticFiles embed.FS

// pages are the parsed templates, one set a page and a way of showing it, all
// round one layout.
type pages struct {
	texts *catalogue
	sets  map[pageKey]*template.Template
}

type pageKey struct{ name, language, length string }

func newPages() (*pages, error) {
	texts, err := newCatalogue()
	if err != nil {
		return nil, err
	}
	p := &pages{texts: texts, sets: map[pageKey]*template.Template{}}
	for _, lang := range languages {
		for _, unit := range lengths {
			if err := p.parse(display{Language: lang, Length: unit}); err != nil {
				return nil, err
			}
		}
	}
	return p, nil
}

func (p *pages) parse(d display) error {
	layout, err := template.New("layout.html").Funcs(pageFuncs()).Funcs(reportFuncs()).Funcs(registerFuncs(d)).Funcs(p.shown(d)).ParseFS(pageFiles, "pages/layout.html", "pages/parts.html")
	if err != nil {
		return err
	}
	names, err := fs.Glob(pageFiles, "pages/*.html")
	if err != nil {
		return err
	}
	for _, file := range names {
		t, err := layout.Clone()
		if err != nil {
			return err
		}
		if _, err := t.ParseFS(pageFiles, file); err != nil {
			return err
		}
		p.sets[pageKey{strings.TrimSuffix(strings.TrimPrefix(file, "pages/"), ".html"), d.Language, d.Length}] = t
	}
	return nil
}

// shown are the functions that depend on how a browser wants to see a page: t
// says a text in its language, texts hands some to a script, length and unit
// show a length.
func (p *pages) shown(d display) template.FuncMap {
	say := func(text string, args ...any) string { return p.texts.say(d.Language, text, args...) }
	return template.FuncMap{
		"t": say,
		"texts": func(keys ...string) (string, error) {
			out := map[string]string{}
			for _, k := range keys {
				out[k] = say(k)
			}
			return toJSON(out)
		},
		"length": d.length,
		"unit":   func() string { return d.Length },

		"lengthText": d.lengthText, "lengthPlus": d.lengthPlus, "strokeSeen": d.strokeSeen,
		"lengthField": func(mm *float64) string { return d.lengthField(mm, false) },
		"engineLine":  func(e engine.Engine) string { return p.engineLine(d, e) },
	}
}

func pageFuncs() template.FuncMap {
	return template.FuncMap{
		"plus": fit.Signed, "num": orDash, "pm": withDoubt, "top": topText, "why": whyNone, "short": short,
		"fixed": signed, "trim": trimText, "plusOr": plusOrDash, "deref": func(v *int) int { return *v },
		"json": toJSON, "selectBody": selectBody, "zeroBody": func(indicator, on string) (string, error) {
			return toJSON(map[string]string{"indicator": indicator, "on": on})
		},
		"trimWords":   func(v *float64) string { return fit.TrimWords(deref(v)) },
		"commonWords": fit.CommonLateWords, "pinWords": fit.PinWords, "apartWords": fit.ApartWords, "bankWords": fit.BankWords,
		"approachShape": approachShape, "approachWords": approachWords, "steps": func() []float64 { return []float64{-10, -5, -1, 1, 5, 10} }, "handSteps": func() []int { return []int{1, 2, 3, 5} }, "product": product,
		"crankRadius": func(e engine.Engine) *float64 { r := e.StrokeMM / 2; return &r },
		"markWords":   fit.MarkWords, "lateWords": lateWords,
		"stageWords": stageWords, "stages": store.Stages, "orderText": orderText, "join": strings.Join, "star": starSVG,
		"ref": func(v float64) *float64 { return &v }, "choices": choicesOf,
		"actorWords": actorWords, "same": func(a *string, b string) bool { return a != nil && *a == b },
		"studySource": studySource, "remounts": remounts,
		"signNotes": fit.SignNotes, "cautions": fit.Cautions,
		"utc": func(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") },
		"shape": func(verdict string) template.HTML {
			var d drawing
			d.add(`<svg class="shape" viewBox="-10 -10 20 20" aria-hidden="true">`)
			d.mark(verdict, 0, 0, 6.5)
			d.add(`</svg>`)
			return template.HTML(d.String())
		},
	}
}

// oneOf is a choice of a list, and whether it is the one that holds.
type oneOf struct {
	Value string
	Now   bool
}

func choicesOf(now string, values ...string) (list []oneOf) {
	for _, v := range values {
		list = append(list, oneOf{v, v == now})
	}
	return list
}

func lateWords(c fit.Cylinder) string {
	if c.IndexErrorDeg == nil {
		return whyNone(c)
	}
	return fit.LateWords(*c.IndexErrorDeg, deref(c.IndexU95Deg))
}

// frame is what the layout needs of every page.
type frame struct {
	Title, Here string // Here is the navigation's current place
	Of          string // whose page it is: a name, which no language changes
	Software    string
	Simulated   bool
	Head        string // hash of the ledger's newest row
	Now         time.Time
	Display     display
	Back        string // this page, for forms that come back to it
	Page        any
}

// Places is the navigation.
func (frame) Places() []place {
	return []place{
		{"bench", "/", "Bench"},
		{"turn", "/turn", "Turn to"},
		{"marks", "/marks", "Marks"},
		{"jobs", "/jobs", "Jobs"},
		{"engines", "/engines", "Engines"},
		{"instruments", "/instruments", "Instruments"},
		{"register", "/register", "Register"},
		{"compare", "/compare", "Compare"},
		{"flags", "/flags", "Flags"},
	}
}

type place struct{ Key, Path, Text string }

// Choices are the display's, for the form in the footer.
func (f frame) Choices() []choice {
	return []choice{
		{"language", "Language", f.Display.Language, []option{{"en", "English"}, {"de", "Deutsch"}}},
		{"length", "Lengths", f.Display.Length, []option{{"mm", "millimetres"}, {"in", "inches"}}},
		{"look", "Look", f.Display.Look, []option{{"system", "as the device"}, {"light", "light"}, {"dark", "dark"}, {"contrast", "high contrast"}}},
	}
}

type choice struct {
	Name, Text, Now string
	Options         []option
}

type option struct{ Value, Text string }

func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, name string, f frame) error {
	f.Software, f.Now, f.Display, f.Back = s.software, time.Now(), displayOf(r), r.URL.RequestURI()
	f.Simulated = f.Simulated || s.simulated
	f.Head = s.store.Stats().HeadHash
	t, ok := s.pages.sets[pageKey{name, f.Display.Language, f.Display.Length}]
	if !ok {
		return fmt.Errorf("no page %q", name)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "layout.html", f); err != nil {
		return fmt.Errorf("page %s: %w", name, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(b.Bytes()) //nolint:errcheck // the client left
	return nil
}

func (s *Server) problemPage(w http.ResponseWriter, r *http.Request, p *Problem) {
	if err := s.render(w, r, p.Status, "problem", frame{Title: p.Title, Page: p}); err != nil {
		writeProblem(w, p)
	}
}

func (s *Server) flagsPage(w http.ResponseWriter, r *http.Request) error {
	return s.render(w, r, http.StatusOK, "flags", frame{Title: "Flags", Here: "flags", Page: fit.FlagNotes()})
}

func (s *Server) static(w http.ResponseWriter, r *http.Request) error {
	name := r.PathValue("file")
	b, err := staticFiles.ReadFile("static/" + name)
	if err != nil {
		return newProblem(http.StatusNotFound, "not-found", "There is no such thing here", fmt.Sprintf("%q is not served", name), "see the page's source")
	}
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(b))
	return nil
}

func toJSON(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}

// selectBody is the selection as it would be with one indicator moved.
func selectBody(job int64, now *selectionDoc, indicator string, cylinder int) (string, error) {
	next := selectionDoc{Job: job, Cylinders: map[string]int{}}
	if now != nil && now.Job == job {
		maps.Copy(next.Cylinders, now.Cylinders)
	}
	next.Cylinders[indicator] = cylinder
	return toJSON(next)
}
