package dashboards

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// axeRules are the accessibility rules that .ci/need fetches and .ci/axe names.
func axeRules(t *testing.T) string {
	t.Helper()
	named, err := os.ReadFile("../.ci/axe")
	if err != nil {
		t.Fatal(err)
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	pin := strings.Fields(string(named)) // sum, package, version
	file, err := os.ReadFile(filepath.Join(cache, "crownmark", pin[1]+"-"+pin[2]+".tgz"))
	if err != nil {
		t.Fatalf("%v: run make need", err)
	}
	if sum := sha256.Sum256(file); hex.EncodeToString(sum[:]) != pin[0] {
		t.Fatalf("%s %s in the cache is not what .ci/axe names: delete it and run make need", pin[1], pin[2])
	}
	unzipped, err := gzip.NewReader(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	for r := tar.NewReader(unzipped); ; {
		h, err := r.Next()
		if err != nil {
			t.Fatalf("no axe.min.js in it: %v", err)
		}
		if h.Name == "package/axe.min.js" {
			script, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			return string(script)
		}
	}
}

// fills are what stands for the variable parts of a page's path in the staged job.
var fills = strings.NewReplacer("{$}", "", "{id}", "1")

// servedPages are the paths of all pages, those that others add included.
func (st stage) servedPages(t *testing.T) (paths []string) {
	t.Helper()
	for _, r := range st.server.routes() {
		if r.method != "GET" || !isPage(strings.Split(r.path, "{")[0]) {
			continue
		}
		path := fills.Replace(r.path)
		if strings.Contains(path, "{") {
			t.Errorf("%s: say in fills what stands there", r.path)
			continue
		}
		body, kind := get(t, st.url+path)
		if kind == "text/html" {
			paths = append(paths, path)
			st.weighs(t, path, body)
		}
	}
	if len(paths) < 6 {
		t.Fatalf("only these are served: %q", paths)
	}
	return paths
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
		t.Errorf("%s: %s %v", url, res.Status, err)
	}
	kind, _, _ = mime.ParseMediaType(res.Header.Get("Content-Type"))
	return string(b), kind
}

const mostKiB = 100

var (
	plotData = regexp.MustCompile(`(?s)<svg[^>]* class="plot.*?</svg>`)
	loaded   = regexp.MustCompile(`(?:src|href)="(/static/[^"]+\.(?:js|css))"`)
)

// weighs adds up what a browser fetches for a page, plots apart.
func (st stage) weighs(t *testing.T, path, body string) {
	t.Helper()
	sum := len(plotData.ReplaceAllString(body, ""))
	for _, m := range loaded.FindAllStringSubmatch(body, -1) {
		part, _ := get(t, st.url+m[1])
		sum += len(part)
	}
	if kib := float64(sum) / 1024; kib > mostKiB {
		t.Errorf("%s weighs %.1f KiB, more than %d", path, kib, mostKiB)
	} else {
		t.Logf("%s weighs %.1f KiB", path, kib)
	}
}

// runRules tells each rule that is broken, with the first places. Another look
// changes colours alone, so only rules about colours are run for it again.
const runRules = `axe.run(document, {elementRef: false, performanceTimer: false, resultTypes: ["violations"], runOnly: %s})
  .then(r => r.violations.map(v => v.id + " (" + v.help + "): " + v.nodes.slice(0, 4).map(n => n.target.join(" ") + " " +
    n.any.concat(n.all, n.none).map(c => c.message).slice(0, 1)).join("; ")))`

// oneImage takes the thousands of strokes out of the drawings, which are one
// image each to whoever cannot see them and would cost the rules minutes.
const oneImage = `for (const e of document.querySelectorAll("svg :is(circle, polyline, line, path, rect)")) e.remove()`

const (
	allRules    = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]`
	colourRules = `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`
)

// faintDigits finds readouts in the largest letters with less contrast than 7:1.
const faintDigits = `(() => {
  const pen = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
  const rgba = c => { pen.clearRect(0, 0, 1, 1); pen.fillStyle = c; pen.fillRect(0, 0, 1, 1); return pen.getImageData(0, 0, 1, 1).data; };
  const light = c => { const [r, g, b] = [...c].map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4); return .2126 * r + .7152 * g + .0722 * b; };
  const ground = e => { for (; e; e = e.parentElement) { const c = rgba(getComputedStyle(e).backgroundColor); if (c[3] === 255) return c; } return rgba("Canvas"); };
  const out = [];
  for (const e of document.querySelectorAll("main *")) {
    const s = getComputedStyle(e), own = [...e.childNodes].some(n => n.nodeType === 3 && /[0-9]/.test(n.data));
    const size = e.ownerSVGElement ? parseFloat(s.fontSize) * e.getScreenCTM().a : parseFloat(s.fontSize);
    if (!own || size < 30 || !e.checkVisibility()) continue;
    const [a, b] = [light(rgba(e.ownerSVGElement ? s.fill : s.color)), light(ground(e))].sort((x, y) => y - x);
    if ((a + .05) / (b + .05) < 7) out.push(e.tagName + "." + (e.className.baseVal ?? e.className) + " " + ((a + .05) / (b + .05)).toFixed(2));
  }
  return out;
})()`

// restless finds what moves although the person asked for less of it.
const restless = `[...document.querySelectorAll("*")].flatMap(e => ["", "::before", "::after"].map(p => [e, p, getComputedStyle(e, p || null)]))
  .filter(([, , s]) => s.animationName !== "none" || s.transitionDuration.split(",").some(d => parseFloat(d) > 0))
  .map(([e, p]) => e.tagName + "." + e.className + p).slice(0, 5)`

// found is what a script finds.
func found(w *watched, script string) []string {
	w.t.Helper()
	out, err := chromedp.Run(w, chromedp.Evaluate[[]string](script, chromedp.EvalAwaitPromise))
	if err != nil {
		w.t.Fatal(err)
	}
	return out
}

// TestEveryPageForEverybody holds every page, in every look and at three
// widths, against the rules of WCAG 2.2 AA that a machine can tell, and against
// our own: digits, small windows, restlessness, weight, requests, complaints.
func TestEveryPageForEverybody(t *testing.T) {
	st := staged(t)
	talkative(st.bench)
	rules := axeRules(t)
	pages := st.servedPages(t)
	w := browse(t, st.url)
	seen := map[string]bool{}
	tell := func(at, what string) {
		if !seen[what] {
			t.Errorf("%s: %s", at, what)
		}
		seen[what] = true
	}
	for _, path := range pages {
		w.do(chromedp.Navigate(st.url + path))
		if _, err := chromedp.Run(w, chromedp.Evaluate[any](rules+";"+oneImage+";null")); err != nil && err != chromedp.ErrJSNull {
			t.Fatal(err)
		}
		for _, width := range []int64{1280, 800, 390} {
			w.size(width, 900)
			for _, look := range looks[1:] {
				which := colourRules
				if look == "light" {
					which = allRules
				}
				w.do(chromedp.EvaluateAsDevTools[chromedp.Void](fmt.Sprintf("document.documentElement.dataset.look = %q", look)))
				at := fmt.Sprintf("%s, %s, %d px", path, look, width)
				for _, broken := range found(w, fmt.Sprintf(runRules, which)) {
					tell(at, broken)
				}
				for _, faint := range found(w, faintDigits) {
					tell(at, "digits with less contrast than 7:1: "+faint)
				}
			}
		}
		st.besides(w, path, tell)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, f := range w.faults {
		t.Error(f)
	}
}

// besides is what needs no look: a small window, and less motion.
func (st stage) besides(w *watched, path string, tell func(at, what string)) {
	w.t.Helper()
	w.size(320, 640)
	w.fits(path + " at 320 px")
	w.do(call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}}))
	for _, e := range found(w, restless) {
		tell(path, "moves although less motion is asked for: "+e)
	}
}
