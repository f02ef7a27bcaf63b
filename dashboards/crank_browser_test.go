package dashboards

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// indexOf is the index document as programs get it.
func indexOf(t testing.TB, url string) (x fit.Index) {
	t.Helper()
	r, err := http.Get(url + "/api/v1/jobs/1/index")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || json.Unmarshal(b, &x) != nil {
		t.Fatalf("%v %s", err, b)
	}
	return x
}

// everywhere looks at the page that is shown at four widths. What it looks like
// otherwise, TestEveryPageForEverybody sees.
func everywhere(w *watched, name string) {
	for _, at := range []struct {
		name          string
		width, height int64
	}{{"wide", 1280, 900}, {"tablet", 800, 1180}, {"phone", 390, 844}, {"reflow", 320, 640}} {
		w.size(at.width, at.height)
		w.fits(name + "-" + at.name)
		w.shot(name + "-" + at.name)
	}
	w.size(1280, 900)
}

// german shows a page to a browser that has chosen German.
func (w *watched) german(url string) {
	w.until("German is chosen", `(document.cookie = "display=de.mm.system; path=/", true)`)
	w.do(chromedp.Navigate(url))
	w.until("German is spoken", `document.documentElement.lang === "de"`)
}

// TestIndexViewInABrowser: the picture and the table say what the API says.
func TestIndexViewInABrowser(t *testing.T) {
	st := staged(t)
	x := indexOf(t, st.url)
	w := browse(t, st.url)
	w.size(1280, 900)
	page := st.url + "/jobs/1/crank"
	w.do(chromedp.Navigate(page))
	for _, c := range x.Cylinders {
		row := fmt.Sprintf(`[...document.querySelectorAll(".numbers tbody tr")].find(r => r.querySelector(".cyl").textContent === "%d")`, c.Number)
		w.until(fmt.Sprintf("cylinder %d from the common zero", c.Number), row+`.querySelector(".common").textContent === "`+withDoubt(c.FromCommonDeg, c.FromCommonU95Deg)+`"`)
		// The arm of each throw lies its deviation, magnified, against the way of
		// turning from its nominal line: clockwise running, so anticlockwise.
		factor := magnification(x)
		w.until(fmt.Sprintf("cylinder %d is drawn where it is", c.Number), fmt.Sprintf(`(() => {
			const of = c => { const l = document.querySelector('.star .throw[data-cylinder="%d"] .' + c); return Math.atan2(+l.getAttribute("x2"), -l.getAttribute("y2")) * 180 / Math.PI; };
			const apart = ((of("arm") - of("nominal") + 540) %% 360) - 180;
			return Math.abs(apart - %g) < 0.05; })()`, c.Number, -factor**c.ThrowErrorDeg))
	}
	if f := magnification(x); f < 2 || f*1.6 > 40 {
		t.Errorf("magnified ×%g", f)
	}
	w.until("the factor is told", `document.querySelector(".star .factor").textContent === "×`+times(magnification(x))+`" && document.querySelector("figcaption").textContent.includes("×`+times(magnification(x))+`")`)
	for _, name := range []string{"clipboard-read", "clipboard-write"} {
		w.do(call(browser.SetPermission, browser.SetPermissionParams{Permission: &browser.PermissionDescriptor{Name: name}, Setting: browser.PermissionSettingGranted, BrowserContextID: w.profile()}))
	}
	w.do(chromedp.KeyEvent("\r")) // the main button, nothing being focused
	w.until("the trims are copied", `document.getElementById("said").textContent === "The trims are in the clipboard."`)
	want, _ := json.Marshal(trimsText(x))
	w.until("the clipboard holds them", `navigator.clipboard.readText().then(s => s === `+string(want)+`)`)
	if !strings.Contains(trimsText(x), "3\t-") { // late by a degree and more: retard
		t.Errorf("trims %q", trimsText(x))
	}
	everywhere(w, "crank")
	w.german(page)
	english, err := chromedp.Run(w, chromedp.Evaluate[string](`(document.querySelector("main").innerText.replace("Practice four, first build", "").match(/(.{0,40})( the | and | from | early| late|retard|within)(.{0,40})/i) || [""])[0]`))
	if err != nil || english != "" {
		t.Errorf("left in English: %q, %v", english, err)
	}
	w.shot("crank-german")
	w.faultless()
}

// A vee with two rods to a pin: pins and banks are told apart in words.
func TestIndexViewTellsPinsApart(t *testing.T) {
	e := practice(t)
	e.SharedPins = [][]int{{1, 2}, {3, 4}}
	e.Bank = []engine.Bank{{Name: "left", Cylinders: []int{1, 3}}, {Name: "right", Cylinders: []int{2, 4}}}
	page := pageOver(t, oneJob(t, "Vee", swept(t, e, 11, virtual.DefaultPlan())), benchAt(0, nil), "/jobs/1/crank")
	for _, want := range []string{"Cylinders on the pin", "crank: this pin is", "block or pistons: cylinder ", "Against the first bank", "the others are compared with it"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	page = pageOver(t, oneJob(t, "Four", swept(t, practice(t), 11, virtual.DefaultPlan())), benchAt(0, nil), "/jobs/1/crank")
	if !strings.Contains(page, "do not say which rods share a crankpin") || strings.Contains(page, "Cylinders on the pin") {
		t.Error("pins are told that nobody gave")
	}
}

func TestMagnification(t *testing.T) {
	four := func(errs ...float64) fit.Index {
		var x fit.Index
		for i, e := range errs {
			x.Cylinders = append(x.Cylinders, fit.Cylinder{Number: i + 1, NominalDeg: float64(i%2) * 180, ThrowErrorDeg: &e, ThrowU95Deg: new(0.01)})
		}
		return x
	}
	for want, x := range map[float64]fit.Index{20: four(0, 1.4), 10: four(0, -1.6), 200: four(0, 0.01), 1: four(0, 19), 2: four(0, 12, 25)} {
		if got := magnification(x); got != want {
			t.Errorf("×%g, want ×%g for %v", got, want, *x.Cylinders[1].ThrowErrorDeg)
		}
	}
	if got := band(-400, 400, 10, 20); strings.Contains(got, "NaN") {
		t.Error(got)
	}
	if x, y := polar(90, 2); math.Abs(x-2) > 1e-12 || math.Abs(y) > 1e-12 {
		t.Errorf("%g %g", x, y)
	}
}
