package dashboards

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// TestReadByHandInABrowser: one cylinder typed, one from the live display by
// Enter alone, fifteen marks each way; nonsense is refused beside its field, a
// pair is taken back, a reload in mid-sweep goes on; the index is true.
func TestReadByHandInABrowser(t *testing.T) {
	h := readByHand(t)
	h.rules = axeRules(t)
	h.size(1280, 900)
	h.do(chromedp.Navigate(h.base + "/by-hand"))
	for _, step := range []string{"work on", "cautions"} { // both are the page's main button
		h.until(step, `document.querySelectorAll("main .main:not(:disabled)").length === 1 && document.readyState === "complete"`)
		h.keys("enter")
		h.until(step+" is done", map[string]string{"work on": `!!document.getElementById("cautions")`, "cautions": `!!document.getElementById("begin")`}[step])
	}
	h.do(chromedp.Navigate(h.base + "/"))
	h.until("the bench leads here", `document.querySelector("#next a.main").getAttribute("href") === "/by-hand"`)
	h.do(chromedp.Navigate(h.base + "/by-hand"))
	h.until("the reference comes first", `document.getElementById("begin").textContent === "Begin: cylinder 1, forward, at −21°"`)
	h.click(`[data-dial="plain"]`)
	h.typedCylinder()
	second := h.liveCylinder()
	h.true(second)
	h.forgive("409")
	h.forgive("422")
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, f := range h.faults {
		t.Error(f)
	}
}

func (h *byHand) typedCylinder() {
	h.click("#begin")
	h.begun("cylinder 1 begins")
	h.typeIn("nonsense")
	h.keys("enter")
	h.until("no number", `document.getElementById("height-fault").textContent.startsWith("Write a plain number")`)
	h.set(`document.getElementById("height").value = ""`)
	time.Sleep(170 * time.Millisecond) // a second Enter at once would be a bounce
	y := h.heightAt(1, -21)
	h.typeIn(strings.Replace(fmt.Sprintf("%.3f", y), ".", ",", 1)) // a comma is a point
	h.keys("enter")
	h.counted(1)
	time.Sleep(170 * time.Millisecond)
	h.typeIn("88")
	h.keys("enter")
	h.until("no piston moves so", `document.getElementById("height-fault").textContent.includes("no piston moves")`)
	h.set(`document.getElementById("height").value = "", document.getElementById("mark").value = "−24"`)
	time.Sleep(170 * time.Millisecond)
	h.typeIn("0")
	h.keys("enter")
	h.until("the other way", `document.getElementById("mark-fault").textContent.includes("another direction is another sweep")`)
	h.do(chromedp.Navigate(h.base + "/by-hand"))
	h.begun("a reload goes on")
	if c, way, mark := h.at(); c != 1 || way != 1 || mark != -18 {
		h.t.Fatalf("after a reload: cylinder %d, way %d, mark %g", c, way, mark)
	}
	h.typeIn(fmt.Sprintf("%.3f", h.heightAt(1, -18)-0.4)) // misread
	h.keys("enter")
	h.counted(2)
	time.Sleep(170 * time.Millisecond)
	h.keys("back")
	h.counted(1)
	h.until("the mark comes again", `document.getElementById("mark").value === "−18" && document.querySelectorAll("#pairs .aside").length === 1 && document.querySelectorAll("#curve .out").length === 1`)
	time.Sleep(170 * time.Millisecond)
	h.reads(2, false)
	h.shots("hand-typed")
	h.over()
	h.until("now turn back", `document.querySelector(".do").textContent === "Now turn back: cylinder 1." && document.getElementById("begin").textContent === "Begin: cylinder 1, back, at 21°"`)
	h.shots("hand-next")
	h.keys("enter")
	h.begun("cylinder 1 back")
	h.reads(1, false)
	h.over()
}

// liveCylinder is read by Enter alone; a display that falls silent looks so.
func (h *byHand) liveCylinder() int {
	h.click(`[data-dial="left"]`)
	h.keys("enter")
	h.begun("the next cylinder begins")
	second, way, mark := h.at()
	if second == 1 || way != 1 {
		h.t.Fatalf("cylinder %d, way %d comes next", second, way)
	}
	h.show.um.Store(int64(math.Round(h.heightAt(second, mark) * 1000)))
	h.until("the height is live", fmt.Sprintf(`document.getElementById("live-height").textContent === "%s" && document.getElementById("still").textContent === "stands still"`, strings.Replace(fmt.Sprintf("%.3f", h.heightAt(second, mark)), "-", "−", 1)))
	h.show.um.Add(60)
	h.until("it moves", `document.getElementById("still").textContent.startsWith("moves")`)
	h.show.silent.Store(true)
	h.until("it is silent", `document.getElementById("height-panel").classList.contains("stale")`)
	h.show.silent.Store(false)
	h.until("it is back", `!document.getElementById("height-panel").classList.contains("stale")`)
	h.reads(1, true)
	h.shots("hand-live")
	h.over()
	h.keys("enter")
	h.begun("back")
	h.reads(1, true)
	h.over()
	return second
}

// true holds the index against where the tops really stand.
func (h *byHand) true(number int) {
	h.t.Helper()
	body, _ := get(h.t.(*testing.T), h.base+"/api/v1/jobs/1/index")
	var x struct {
		Cylinders []struct {
			Number int
			TDC    *float64 `json:"tdc_deg"`
			TDCU   *float64 `json:"tdc_u95_deg"`
			Err    *float64 `json:"index_error_deg"`
			U      *float64 `json:"index_u95_deg"`
		}
	}
	if err := json.Unmarshal([]byte(body), &x); err != nil {
		h.t.Fatal(err)
	}
	for _, c := range x.Cylinders {
		late := h.tops[number] - h.tops[1] - math.Round((h.tops[number]-h.tops[1])/180)*180
		switch {
		case c.Number == 1 && (c.TDC == nil || math.Abs(foldHalf(*c.TDC-h.tops[1])) > *c.TDCU || *c.TDCU > 0.2):
			h.t.Errorf("the top of 1 stands at %g: %s", h.tops[1], body)
		case c.Number == number && (c.Err == nil || math.Abs(*c.Err-late) > *c.U || *c.U > 0.25):
			h.t.Errorf("cylinder %d is %.2f° late: %s", number, late, body)
		case c.Number == number:
			h.t.Logf("cylinder %d: %.3f° ± %.3f°, true %.3f°", number, *c.Err, *c.U, late)
		}
	}
}

// TestReadByHandInGermanAndInches: a refusal comes in the page's language, the
// height goes out in the dial's unit, and a sweep with few marks is told.
func TestReadByHandInGermanAndInches(t *testing.T) {
	h := readByHand(t)
	h.rules = axeRules(t)
	for _, c := range [][3]string{{"PUT", "/api/v1/bench/selection", `{"job":1,"cylinders":{}}`}, {"POST", "/api/v1/jobs/1/cautions", `{}`}} {
		req, err := http.NewRequest(c[0], h.base+c[1], strings.NewReader(c[2]))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		res, err := http.DefaultClient.Do(req)
		if err != nil || res.StatusCode > 299 {
			t.Fatal(c, res, err)
		}
		res.Body.Close()
	}
	h.size(1280, 900)
	h.do(chromedp.Navigate(h.base + "/by-hand"))
	h.set(`document.cookie = "display=de.in.system; path=/"`)
	h.do(chromedp.Navigate(h.base + "/by-hand"))
	h.until("it is German", `document.getElementById("begin").textContent === "Beginnen: Zylinder 1, vorwärts, bei −21°"`)
	h.click(`[data-dial="dial"]`)
	h.click("#begin")
	h.begun("cylinder 1")
	h.until("inches are proposed", `document.querySelector("[data-unit=in]").getAttribute("aria-pressed") === "true"`)
	h.typeIn("-.155")
	h.keys("enter")
	h.counted(1)
	h.until("the height in inches", `document.querySelector("#pairs td").textContent === "−0.1550"`)
	time.Sleep(170 * time.Millisecond)
	h.set(`document.getElementById("mark").value = "-21"`)
	h.typeIn("-0.1")
	h.keys("enter")
	h.until("refused in German", `document.getElementById("mark-fault").textContent.startsWith("Die Marke bei -21° ist schon abgelesen: ")`)
	h.shots("hand-german")
	h.forgive("422")
	h.click("#end")
	h.until("too few marks", `!!document.getElementById("begin") && document.querySelector(".how b").textContent === "Marken der letzten Richtung: 1. Weniger als 6 werden nicht verwendet."`)
	h.until("it comes once more", `document.getElementById("begin").textContent === "Beginnen: Zylinder 1, vorwärts, bei −21°"`)
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, f := range h.faults {
		t.Error(f)
	}
}
