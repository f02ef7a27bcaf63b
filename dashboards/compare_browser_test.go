package dashboards

import (
	"bytes"
	"fmt"
	"image/png"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

func (w *watched) number(js string) float64 {
	w.t.Helper()
	v, err := chromedp.Run(w, chromedp.Evaluate[float64](js))
	if err != nil {
		w.t.Fatalf("%s: %v", js, err)
	}
	return v
}

func (w *watched) says(js string) string {
	w.t.Helper()
	v, err := chromedp.Run(w, chromedp.Evaluate[string](js))
	if err != nil {
		w.t.Fatalf("%s: %v", js, err)
	}
	return v
}

func (w *watched) key(keys ...string) {
	w.t.Helper()
	for _, k := range keys {
		w.do(chromedp.KeyEvent(k))
	}
}

// drawnCurves waits until what the address asks for is on the canvas.
func (w *watched) drawnCurves(query string) {
	w.t.Helper()
	w.until("drawn: "+query, fmt.Sprintf("location.search === %q && document.body.dataset.drawn === %q", "?"+query, strings.TrimPrefix(query, "?")))
}

// walk presses → until the element with that id has the focus.
func (w *watched) walk(id string) {
	w.t.Helper()
	for range 80 {
		if w.says(`document.activeElement.id`) == id {
			return
		}
		w.key(kb.ArrowRight)
	}
	w.t.Fatalf("→ never comes to %s", id)
}

const cursorAt = `Number(document.getElementById("stage").getAttribute("aria-valuenow"))`

func compareServed(t testing.TB, k Store) string {
	srv := httptest.NewServer(serverOver(t, k).Handler())
	t.Cleanup(srv.Close)
	t.Cleanup(srv.CloseClientConnections)
	return srv.URL
}

func TestComparePageInABrowser(t *testing.T) {
	url := compareServed(t, groundBy(t, 11, 3, 0.3))
	w := browse(t, url)
	w.size(1280, 900)
	w.do(chromedp.Navigate(url + "/compare"))
	chosenByFourKeys(w)
	cursorByKeys(w)
	cursorByMouse(w, url)
	cursorByTouch(w)
	kept(w, url)
	w.faultless()
}

// chosenByFourKeys: before and after is one press; sweeps go out and in; the
// address says all, and Back undoes.
func chosenByFourKeys(w *watched) {
	w.walk("grind-1-2")
	w.key(kb.Enter)
	w.drawnCurves("jobs=1,2")
	w.until("the difference is told", `document.getElementById("found").textContent.includes("Cylinder 3: its top comes 0.")`)
	w.walk("cylinder-1-3")
	w.key(kb.Enter)
	w.until("its sweeps are out", `location.search.startsWith("?sweeps=") && document.activeElement.id === "cylinder-1-3" && document.activeElement.getAttribute("aria-checked") === "false"`)
	w.until("two fewer are drawn", `document.querySelectorAll("#readout tbody tr").length === 18`)
	w.do(chromedp.NavigateBack())
	w.drawnCurves("jobs=1,2")
	w.until("they are back", `document.querySelectorAll("#readout tbody tr").length === 20`)
	w.walk("on-nominal")
	w.key(kb.Enter)
	w.drawnCurves("jobs=1,2&on=nominal")
	w.until("the axis is named", `document.getElementById("curves").dataset.axis === "nominal"`)
}

// cursorByKeys: the plot takes the arrows after Enter and gives them back.
func cursorByKeys(w *watched) {
	w.walk("stage")
	before := w.number(cursorAt)
	w.key(kb.Enter, kb.ArrowRight, kb.ArrowRight)
	w.until("the cursor goes right", fmt.Sprintf("%s > %g", cursorAt, before))
	moved := w.number(cursorAt)
	w.key(kb.ArrowLeft, kb.ArrowLeft)
	w.until("and back", fmt.Sprintf("Math.abs(%s - %g) < 1e-6 && %g > %g", cursorAt, before, moved, before))
	w.until("it is spoken", `/^.?[0-9.]+°; A .*[0-9] mm/.test(document.getElementById("stage").getAttribute("aria-valuetext"))`)
	w.key("+", "+")
	w.until("the window is in the address", `/from=.*to=/.test(location.search)`)
	w.until("the file shows the same window", `/from=.*to=/.test(document.getElementById("svg").href)`)
	w.key("0")
	w.until("all is shown", `!/from=/.test(location.search)`)
	w.key(kb.Escape, kb.ArrowRight)
	w.until("the arrows walk on", `document.activeElement.id !== "stage" && !("ownArrows" in document.getElementById("stage").dataset)`)
}

// pointAt is where an angle lies in the window.
func (w *watched) pointAt(share float64) (x, y float64) {
	w.do(chromedp.ScrollIntoView(chromedp.CSS("#stage")))
	return w.number(fmt.Sprintf(`(s => s.getBoundingClientRect().left + s.clientLeft + 92 + %g * (s.clientWidth - 132))(document.getElementById("stage"))`, share)),
		w.number(`(b => b.top + b.height / 3)(document.getElementById("stage").getBoundingClientRect())`)
}

// cursorByMouse: the figures under the cursor are the answer's at that angle.
func cursorByMouse(w *watched, url string) {
	w.do(chromedp.Navigate(url + "/compare?sweeps=3,12&ref=3"))
	w.drawnCurves("sweeps=3,12&ref=3")
	const wide = `document.getElementById("stage").clientWidth`
	left, y := w.pointAt(0.001) // where curves have no figure yet
	w.do(call(input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: "mouseMoved", X: left, Y: y}))
	w.until("the cursor goes to the left", cursorAt+` < -5`)
	first := w.number(wide)
	x, y := w.pointAt(0.75)
	w.do(call(input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: "mouseMoved", X: x, Y: y}))
	w.until("the cursor follows the mouse", cursorAt+` > 5`)
	if now := w.number(wide); now != first {
		w.t.Errorf("the figures push the plot about under the mouse: %g px wide, then %g", first, now)
	}
	w.says(`(async () => {
		const d = await (await fetch("/api/v1/compare" + location.search)).json(), at = ` + cursorAt + `, k = Math.round((at - d.grid.from_deg) / d.grid.step_deg);
		const lo = d.grid.from_deg, hi = lo + (d.grid.points - 1) * d.grid.step_deg;
		if (Math.abs(at - (lo + .75 * (hi - lo))) > .1) return "at " + at + " of " + lo + " to " + hi;
		const cells = [...document.querySelectorAll("#readout tbody tr")][1].querySelectorAll("td"), read = c => Number(c.textContent.replace("−", "-")), c = d.curves[1];
		const want = [c.grid_height_mm[k], c.grid_difference_mm[k] * 1000, c.grid_residual_mm[k] * 1000], got = [...cells].map(read);
		return got.every((v, i) => Math.abs(v - want[i]) <= (i ? .0501 : .000051)) ? "same" : got + " for " + want;
	})().then(s => { document.body.dataset.under = s; }), ""`)
	w.until("it was compared", `!!document.body.dataset.under`)
	if same := w.says(`document.body.dataset.under`); same != "same" {
		w.t.Errorf("under the cursor: %s", same)
	}
	w.do(call(input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: "mouseWheel", X: x, Y: y, DeltaX: 0.5, DeltaY: -140, Modifiers: 2}))
	w.until("Ctrl and the wheel zoom", `/from=.*to=/.test(location.search)`)
	w.do(chromedp.Reload())
	w.until("a reload keeps the window", `document.body.dataset.drawn && /from=.*to=/.test(location.search)`)
	w.do(chromedp.Click(chromedp.CSS("#whole")))
	w.until("the button shows all", `!/from=/.test(location.search)`)
}

func cursorByTouch(w *watched) {
	w.do(call(emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true}))
	touch := func(kind input.DispatchTouchEventType, xs ...float64) {
		_, y := w.pointAt(0)
		var points []*input.TouchPoint
		for i, x := range xs {
			points = append(points, &input.TouchPoint{X: x, Y: y, ID: new(float64(i))})
		}
		w.do(call(input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points}))
	}
	a, _ := w.pointAt(0.25)
	b, _ := w.pointAt(0.35)
	touch("touchStart", a)
	touch("touchMove", b)
	w.until("the cursor follows the finger", cursorAt+` < -1`)
	touch("touchEnd")
	c, _ := w.pointAt(0.7)
	touch("touchStart", b, c)
	touch("touchMove", a, c+80)
	w.until("two fingers zoom", `/from=.*to=/.test(location.search)`)
	touch("touchEnd")
	w.do(call(emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{}))
}

// kept: the PNG is a picture with curves in it, SVG and CSV are what is shown.
func kept(w *watched, url string) {
	dir := w.t.TempDir()
	w.do(call(browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: "allow", DownloadPath: dir, BrowserContextID: w.profile()}))
	w.do(chromedp.Navigate(url + "/compare?jobs=1,2"))
	w.drawnCurves("jobs=1,2")
	files := map[string][]byte{}
	for _, name := range []string{"png", "svg", "csv"} {
		w.do(chromedp.Click(chromedp.CSS("#" + name)))
		file := filepath.Join(dir, "compare."+name)
		for until := time.Now().Add(10 * time.Second); len(files[name]) == 0 && time.Now().Before(until); time.Sleep(20 * time.Millisecond) { // the browser writes it when it likes
			files[name], _ = os.ReadFile(file)
		}
		if len(files[name]) == 0 {
			there, _ := filepath.Glob(filepath.Join(dir, "*"))
			w.t.Fatalf("%s is not kept; there are %q", name, there)
		}
	}
	pictured(w, files["png"])
	wellFormed(w.t.(*testing.T), string(files["svg"]))
	if !bytes.HasPrefix(files["svg"], []byte("<svg ")) || !bytes.HasPrefix(files["csv"], []byte("sweep,job,")) {
		w.t.Errorf("SVG begins %.40q, CSV %.40q", files["svg"], files["csv"])
	}
	if dir := os.Getenv("CROWNMARK_SHOTS"); dir != "" {
		for name, b := range files {
			os.WriteFile(filepath.Join(dir, "kept."+name), b, 0o644) //nolint:errcheck // for looking at
		}
	}
}

// pictured: a PNG of the right size with curves in colour.
func pictured(w *watched, b []byte) {
	w.t.Helper()
	picture, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		w.t.Fatalf("the PNG: %v", err)
	}
	inked := 0
	for y := 0; y < picture.Bounds().Dy(); y += 2 {
		for x := 0; x < picture.Bounds().Dx(); x += 2 {
			if r, g, blue, _ := picture.At(x, y).RGBA(); max(r, g, blue)-min(r, g, blue) > 0x4000 {
				inked++
			}
		}
	}
	if picture.Bounds().Dx() != 2240 || inked < 2000 {
		w.t.Errorf("the PNG is %v with %d coloured dots", picture.Bounds(), inked)
	}
}

// TestComparePageLooks: as wide as its window, drawn anew when that changes,
// and in German, inches and high contrast.
func TestComparePageLooks(t *testing.T) {
	url := compareServed(t, groundBy(t, 11, 3, 0.3))
	w := browse(t, url)
	w.do(chromedp.Navigate(url + "/compare?sweeps=3,4,12,13&on=nominal&ref=3"))
	w.until("drawn", `!!document.body.dataset.drawn`)
	everywhere(w, "compare-four")
	w.do(chromedp.Navigate(url + "/compare?sweeps=1,999"))
	everywhere(w, "compare-trouble")
	w.do(chromedp.Navigate(url + "/compare?jobs=1,2"))
	w.until("drawn", `!!document.body.dataset.drawn`)
	w.do(chromedp.SetValue(chromedp.CSS(`[name="language"]`), "de"), chromedp.SetValue(chromedp.CSS(`[name="look"]`), "contrast"), chromedp.SetValue(chromedp.CSS(`[name="length"]`), "in"), chromedp.Click(chromedp.CSS(".display button")), chromedp.WaitVisible(chromedp.CSS(`html[lang="de"] #stage`)))
	w.until("drawn", `!!document.body.dataset.drawn`)
	w.fits("compare-german")
	w.until("no text lacks its figures", `!document.body.innerText.includes("%!") && document.getElementById("at").textContent === "Zeiger bei 0.00°"`)
	w.shot("compare-german")
	w.forgive("404")
	w.faultless()
}

// What the page itself weighs: everything but the curves.
func TestComparePageWeighsLittle(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	page := asks(t, s, "/compare?jobs=1,2").Body.String()
	all := len(page)
	for _, file := range []string{"style.css", "compare.css", "keys.js", "compareplot.js", "compare.js", "mark.svg"} {
		if file != "mark.svg" && !strings.Contains(page, "/static/"+file) {
			t.Errorf("%s is not in the page", file)
		}
		all += asks(t, s, "/static/"+file).Body.Len()
	}
	t.Logf("%d bytes", all)
	if all > 100<<10 {
		t.Errorf("%d bytes", all)
	}
}
