package dashboards

import (
	"context"
	"html"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
)

// germanPage asks for a page as a browser that wants German does.
func germanPage(t *testing.T, s *Server, path string) string {
	t.Helper()
	r := httptest.NewRequest("GET", "http://localhost"+path, nil)
	r.AddCookie(&http.Cookie{Name: displayCookie, Value: "de.mm.system"})
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, r)
	return rec.Body.String()
}

// inGerman lists what a page says without its German: what was asked for in
// vain, and long English texts that nobody asked for.
func inGerman(s *Server, page string) (lack []string) {
	c := s.pages.texts
	c.mu.Lock()
	defer c.mu.Unlock()
	for m := range c.missing {
		lack = append(lack, "missing: "+m)
	}
	clear(c.missing)
	for _, seen := range tag.Split(page, -1) {
		seen = strings.TrimSpace(html.UnescapeString(seen))
		for key, p := range c.keys["de"] {
			if p.text != key && !names[seen] && (seen == key || len(p.named) == 0 && strings.Count(key, " ") >= 4 && strings.Contains(seen, key)) {
				lack = append(lack, "in English: "+key)
			}
		}
	}
	if strings.Contains(page, "%!") {
		lack = append(lack, "%! in the page")
	}
	return lack
}

// names of jobs and instruments in these tests, and words that stand as the API has them.
var names = map[string]bool{"top": true, "left": true, "right": true, "too_long": true, "out_of_range": true, "not_recording": true, "line_noise": true, "instrument_error": true}

var tag = regexp.MustCompile(`(?s)<[^>]*>`)

var everyPage = []string{"/", "/turn", "/flags", "/nowhere", "/jobs/99", "/jobs/x", "/jobs", "/jobs/1", "/jobs/1/report", "/jobs/1/crank", "/marks", "/instruments"}

// TestEveryPageInGerman shows every page of a job done well, of one on a bench
// that complains, and of jobs that go wrong.
func TestEveryPageInGerman(t *testing.T) {
	well := staged(t)
	show := func(what string, s *Server) {
		t.Helper()
		for _, path := range everyPage {
			for _, l := range inGerman(s, germanPage(t, s, path)) {
				t.Errorf("%s: %s: %s", what, path, l)
			}
		}
	}
	show("done well", well.server)
	for what, change := range benches() {
		was := well.bench.Snapshot()
		well.bench.set(change)
		show(what, well.server)
		well.bench.set(func(n *acquire.Snapshot) { *n = was })
	}
	for _, what := range []string{"nothing", "no direction", "one way", "slipped", "wrong cylinder"} {
		in := fresh(swept(t, practice(t), 11, virtual.DefaultPlan()))
		sick()[what](&in)
		k := oneJob(t, "top", in) // a name that is a word elsewhere
		j := k.jobs[1]
		if what != "no direction" {
			j.DirectionSign = 1
		}
		k.jobs[1] = j
		b := benchAt(10, map[string]float64{"left": 1, "right": 2})
		b.snapshot.Selection = acquire.Selection{Job: 1, Cylinders: map[string]int{"left": 3}}
		s, err := New(Options{Store: k, Bench: b, Software: "crownmark test"})
		if err != nil {
			t.Fatal(err)
		}
		show(what, s)
		if page := germanPage(t, s, "/jobs/1"); !strings.Contains(page, "<title>top · crownmark</title>") || !strings.Contains(page, "<h1>top</h1>") {
			t.Errorf("%s: the job's name is translated", what)
		}
	}
}

// TestLibraryInGerman: the pages over a real store, with an engine, a job and an
// issued report in it.
func TestLibraryInGerman(t *testing.T) {
	a := startAPI(t, nil)
	a.want(201, a.call("POST", "/api/v1/engines", `{"engine":`+practiceFour+`}`))
	a.want(201, a.call("POST", "/api/v1/jobs", `{"name":"top","engine_id":1,"tags":["left"]}`))
	for _, path := range []string{"/engines", "/engines/new", "/engines/1", "/jobs/new", "/jobs/new?engine=1", "/jobs", "/jobs/1", "/jobs/1/report", "/jobs/1/crank", "/marks", "/instruments", "/", "/turn", "/reports/1"} {
		for _, l := range inGerman(a.server, germanPage(t, a.server, path)) {
			t.Errorf("%s: %s", path, l)
		}
	}
}

// benches are states of the bench that make its page speak.
func benches() map[string]func(*acquire.Snapshot) {
	mute := func(kind int, status, detail string) func(*acquire.Snapshot) {
		return func(n *acquire.Snapshot) {
			one := &n.Encoder
			if kind == 1 {
				n.Indicators = slices.Clone(n.Indicators)
				one = &n.Indicators[0]
			}
			one.Live, one.Status, one.Detail = false, status, detail
		}
	}
	return map[string]func(*acquire.Snapshot){
		"no job":      func(n *acquire.Snapshot) { n.Selection, n.Recording = acquire.Selection{}, false },
		"none stands": func(n *acquire.Snapshot) { n.Selection.Cylinders = nil },
		"sweeping": func(n *acquire.Snapshot) {
			n.Running = []acquire.RunningSweep{{ID: 1, Job: 1, Cylinder: 3, Indicator: "left", Direction: 1}}
		},
		"paused": func(n *acquire.Snapshot) {
			n.Running = []acquire.RunningSweep{{ID: 1, Job: 1, Cylinder: 3, Indicator: "left", Direction: 1, Paused: true}}
		},
		"encoder away":   mute(0, string(acquire.PortLost), "The encoder: port /dev/ttyUSB0 went away: plug the instrument in again; it goes on by itself."),
		"left is silent": mute(1, acquire.StatusSilent, "Indicator left: its port is open, but it says nothing: switch it on and check its cable."),
		"noticed": func(n *acquire.Snapshot) {
			n.Notices = []acquire.Notice{
				{Text: "A new encoder mount begins: the encoder came back more than 2° from where it was.", Fix: "Sweep the reference cylinder again before the others: index errors need it in each mount."},
				{Text: `Indicator top speaks, but its lines cannot be read (garbage: no such frame); one was "+0.1".`, Fix: "Check baud (9600), frame (8N1) and pattern in the bench file against its manual."},
				{Text: "Indicator left rests at 0.118 mm while the crank turned 30°: it does not touch the piston there, or is out of its travel.", Fix: "If the piston should be near its top, lower the indicator until the plunger is pressed in, and set it again."},
			}
		},
	}
}

// TestProblemsInTheBrowsersLanguage: a page's script is told in German why the
// bench refuses; a program that names no language is told in English.
func TestProblemsInTheBrowsersLanguage(t *testing.T) {
	in := fit.Input{Engine: practice(t), Priors: fit.DefaultPriors()}
	s, err := New(Options{Store: oneJob(t, "Practice", in), Bench: benchAt(0, nil), Software: "crownmark test"})
	if err != nil {
		t.Fatal(err)
	}
	for lang, want := range map[string]string{"de": "kein Ort", "": "is not a place"} {
		r := httptest.NewRequest("POST", "http://localhost/api/v1/bench/zero", strings.NewReader(`{"indicator":"left","on":"The Deck"}`))
		r.Header.Set("Content-Type", "application/json")
		if lang != "" {
			r.Header.Set("Accept-Language", lang)
		}
		rec := httptest.NewRecorder()
		s.Handler().ServeHTTP(rec, r)
		if rec.Code != 422 || !strings.Contains(rec.Body.String(), want) || !strings.Contains(rec.Body.String(), `"pointer":"/on"`) || rec.Header().Get("Content-Language") == "" {
			t.Errorf("%q: %d %s", lang, rec.Code, rec.Body)
		}
	}
}

// TestScriptsSpeakGerman: a script fills a text's places itself.
func TestScriptsSpeakGerman(t *testing.T) {
	st := staged(t)
	w := browse(t, st.url)
	w.size(1280, 900)
	w.do(chromedp.Navigate(st.url+"/flags"), chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.cookie = "display=de.mm.system; path=/"`))
		return err
	}))
	w.do(chromedp.Navigate(st.url + "/"))
	w.until("the next top is told", `t("next top: %s in %s", "3", "10°") === "nächster Totpunkt: 3 in 10°"`)
	w.until("what has no value keeps its place", `t("%s s ago") === "vor %s s"`)
	w.until("no place is broken", `!document.documentElement.innerHTML.includes("%!")`)
	w.shot("bench-german")
}
