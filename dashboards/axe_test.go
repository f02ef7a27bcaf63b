package dashboards

import (
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// fills are what stands for the variable parts of a page's path in the shop,
// and asked what else one asks of a page.
var (
	fills     = strings.NewReplacer("{$}", "", "{id}", "1")
	alsoAsked = map[string][]string{"/compare": {"?jobs=1,2"}, "/jobs/new": {"?engine=1"}, "/calibrations/new": {"?instrument=1"}, "/study": {"?jobs=1,2"}}
	alsoShown = map[string][]string{
		"/register/{id}":     {"/register/2", "/register/4", "/register/5"},
		"/calibrations/{id}": {fmt.Sprint("/calibrations/", calUnissued), fmt.Sprint("/calibrations/", calCheck), fmt.Sprint("/calibrations/", calRunning)},
		"/certificates/{id}": {"/certificates/3"},
	}
)

// everyPage is the address of every page, those that others add included.
func (a *api) everyPage() (urls []string) {
	a.t.Helper()
	for _, r := range a.server.routes() {
		if r.method != "GET" || !isPage(strings.Split(r.path, "{")[0]) {
			continue
		}
		path := fills.Replace(r.path)
		if strings.Contains(path, "{") {
			a.t.Errorf("%s: say in fills what stands there", r.path)
			continue
		}
		shown := append([]string{path}, alsoShown[r.path]...)
		for _, query := range alsoAsked[path] {
			shown = append(shown, path+query)
		}
		for _, one := range shown {
			if url := a.srv.URL + one; a.weighs(url) {
				urls = append(urls, url)
			}
		}
	}
	if len(urls) < 18 {
		a.t.Fatalf("only these are served: %q", urls)
	}
	return urls
}

func get(t *testing.T, url string) (body, kind string) {
	t.Helper()
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Errorf("%s: %s %v %s", url, res.Status, err, b)
	}
	kind, _, _ = mime.ParseMediaType(res.Header.Get("Content-Type"))
	return string(b), kind
}

const mostKiB = 100

var (
	plotData = regexp.MustCompile(`(?s)<svg[^>]* class="(?:plot|curves|strip)\b.*?</svg>|<table id="readout">.*?</table>`) // the last: what the plot says under the cursor
	loaded   = regexp.MustCompile(`(?:src|href)="(/static/[^"]+\.(?:js|css))"`)
)

// weighs adds up what a browser fetches for a page, plots apart.
func (a *api) weighs(url string) (page bool) {
	a.t.Helper()
	body, kind := get(a.t, url)
	sum := len(plotData.ReplaceAllString(body, ""))
	for _, m := range loaded.FindAllStringSubmatch(body, -1) {
		part, _ := get(a.t, a.srv.URL+m[1])
		sum += len(part)
	}
	if kib := float64(sum) / 1024; kib > mostKiB {
		a.t.Errorf("%s weighs %.1f KiB, more than %d", url, kib, mostKiB)
	} else {
		a.t.Logf("%s weighs %.1f KiB", url, kib)
	}
	return kind == "text/html"
}

// found is what a script finds.
func found(w *watched, script string) []string {
	w.t.Helper()
	out, err := chromedp.Run(w, chromedp.Evaluate[[]string](script, chromedp.EvalAwaitPromise))
	if err != nil {
		w.t.Fatal(err)
	}
	return out
}

// TestEveryPageForEverybody holds every page, in every look and at four
// widths, against the rules of WCAG 2.2 AA that a machine can tell, and against
// our own: digits, small windows, restlessness, weight, requests, complaints.
func TestEveryPageForEverybody(t *testing.T) {
	a := fullShop(t)
	h := &held{watched: browse(t, a.srv.URL), rules: axeRules(t), told: map[string]bool{}}
	for _, url := range a.everyPage() {
		h.path = strings.TrimPrefix(url, a.srv.URL)
		if strings.HasSuffix(url, "/file.html") {
			url = mailed(t, url)
			h.also = url
		}
		h.open(url)
		h.pictures(url)
		h.looksRight()
		h.besides(url)
	}
	h.faultless()
}

// held is a tab in which each page is held against the rules.
type held struct {
	*watched
	rules, path string
	told        map[string]bool
}

func (h *held) tell(at, what string) {
	if !h.told[what] {
		h.t.Errorf("%s %s: %s", h.path, at, what)
	}
	h.told[what] = true
}

func (h *held) open(url string) {
	h.t.Helper()
	h.do(chromedp.Navigate(url))
	if strings.Contains(url, "/compare?") {
		h.until("the curves are drawn", `!!document.body.dataset.drawn`)
	}
	h.until("the stream is open where there is one", `document.readyState === "complete" && document.body.dataset.live !== "no"`)
}

// mailed serves a report's file as one opens it from a folder, under its own policy.
func mailed(t *testing.T, url string) string {
	t.Helper()
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	file, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/" { // the icon that a browser looks for by itself
			w.WriteHeader(http.StatusNoContent)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", res.Header.Get("Content-Security-Policy"))
		_, _ = w.Write(file)
	}))
	t.Cleanup(srv.Close)
	return srv.URL
}

var widths = []int64{1280, 800, 390}

// looksRight runs the rules wide and narrow, those about colours in every look.
func (h *held) looksRight() {
	h.t.Helper()
	for _, width := range widths {
		h.size(width, 900)
		h.fits(fmt.Sprintf("%s at %d px", h.path, width))
	}
	h.runs(h.rules + ";" + oneImage)
	for i, on := range []struct {
		width int64
		look  string
		rules string
	}{{1280, "light", allRules}, {1280, "dark", colourRules}, {1280, "contrast", colourRules}, {390, "light", otherRules}} {
		if i == 1 {
			h.runs(fewRows)
		}
		h.size(on.width, 900)
		h.look(on.look)
		at := fmt.Sprintf("%s at %d px", on.look, on.width)
		for _, faint := range found(h.watched, faintDigits) {
			h.tell(at, "digits with less contrast than 7:1: "+faint)
		}
		for _, broken := range found(h.watched, fmt.Sprintf(runRules, on.rules)) {
			h.tell(at, broken)
		}
	}
}

func (h *held) runs(script string) {
	h.t.Helper()
	if _, err := chromedp.Run(h, chromedp.Evaluate[any](script+";null")); err != nil && err != chromedp.ErrJSNull {
		h.t.Fatal(err)
	}
}

func (w *watched) look(name string) {
	w.scheme(map[string]string{"light": "light", "dark": "dark", "contrast": "dark"}[name])
	w.do(chromedp.EvaluateAsDevTools[chromedp.Void](fmt.Sprintf("document.documentElement.dataset.look = %q", name)))
}

// besides is what needs no look: a small window, the longer words of German in
// it, and less motion.
func (h *held) besides(url string) {
	h.t.Helper()
	h.size(320, 640)
	h.fits(h.path + " at 320 px")
	h.do(call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}}))
	for _, e := range found(h.watched, restless) {
		h.tell("", "moves although less motion is asked for: "+e)
	}
	h.spoken("de")
	h.open(url)
	h.fits(h.path + " at 320 px in German")
	h.spoken("en")
}

// spoken chooses a language for what is shown next.
func (w *watched) spoken(language string) {
	w.t.Helper()
	w.do(chromedp.EvaluateAsDevTools[chromedp.Void](fmt.Sprintf(`document.cookie = "display=%s.mm.system; path=/"`, language)))
}

// pictures keeps every width in every look, and the print, when CROWNMARK_SHOTS names a folder.
func (h *held) pictures(url string) {
	if os.Getenv("CROWNMARK_SHOTS") == "" {
		return
	}
	name := strings.Trim(regexp.MustCompile(`[^a-z0-9]+`).ReplaceAllString(h.path, "-"), "-")
	for _, width := range widths {
		h.size(width, 900)
		h.open(url)
		for _, look := range looks[1:] {
			h.look(look)
			h.shot(fmt.Sprintf("%s-%d-%s", name, width, look))
		}
	}
	h.print(name)
}
