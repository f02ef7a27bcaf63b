package dashboards

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"crownmark/acquire"
	"crownmark/fit/crank"
	"crownmark/store"
)

// lever is a Source that shows a height which the test sets, fifty times a second.
type lever struct {
	um     atomic.Int64
	silent atomic.Bool
	now    func() int64
}

func (d *lever) Open(context.Context) error { return nil }
func (d *lever) Close() error               { return nil }
func (d *lever) Node() string               { return "here" }
func (d *lever) Identity() string           { return "display" }

func (d *lever) Read() (acquire.Heard, error) {
	time.Sleep(20 * time.Millisecond)
	if d.silent.Load() {
		return acquire.Heard{}, nil
	}
	um := d.um.Load()
	raw := fmt.Appendf(nil, "%+.3f", float64(um)/1000)
	return acquire.Heard{Bytes: len(raw), Readings: []acquire.Reading{{AtNS: d.now(), Ticks: um, Decimals: 3, Unit: acquire.UnitMM, Raw: raw}}}, nil
}

// byHand is the program over a real store and a real bench without an encoder,
// and an engine whose tops stand where the test says.
type byHand struct {
	*watched
	show  *lever
	rules string
	g     crank.Geometry
	tops  map[int]float64 // marks at the true tops
}

func readByHand(t *testing.T) *byHand {
	k, err := store.Open(t.Context(), store.Options{Path: filepath.Join(t.TempDir(), "bench.db"), Software: "crownmark test", BenchName: "bench-1", Simulated: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { k.Close() })
	show := &lever{now: k.Clock()}
	cfg := acquire.Config{Name: "bench-1", Sweep: acquire.DefaultSweepConfig(),
		Encoder: acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Format: acquire.FormatMarks, Direction: 1},
		Indicators: []acquire.InstrumentConfig{{Kind: acquire.KindIndicator, Name: "left", Port: "display", Direction: 1, Unit: "mm"},
			{Kind: acquire.KindIndicator, Name: "plain", Format: acquire.FormatTyped, Direction: 1, Unit: "mm"}}}
	var s *Server
	b, err := acquire.NewBench(cfg, k, acquire.Resume{}, acquire.Options{Now: k.Clock(), OnEvent: func(e acquire.Event) { s.Publish(e) },
		Open: func([]acquire.InstrumentConfig) acquire.Source { return show }})
	if err != nil {
		t.Fatal(err)
	}
	if s, err = New(Options{Store: k, Bench: b, Software: "crownmark test", Simulated: true}); err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(s.Handler())
	t.Cleanup(srv.Close)
	t.Cleanup(srv.CloseClientConnections)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	g, err := crank.New(86, 143.5, -0.8)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.Post(srv.URL+"/api/v1/jobs", "application/json", strings.NewReader(`{"engine":`+practiceFour+`}`))
	if err != nil || res.StatusCode != http.StatusCreated {
		t.Fatal(res, err)
	}
	res.Body.Close()
	return &byHand{watched: browse(t, srv.URL), show: show, g: g, tops: map[int]float64{1: 0.7, 2: 180.7 - 0.6, 3: 180.7 + 1.2, 4: 0.7 + 0.4}}
}

func (h *byHand) text(script string) string {
	h.t.Helper()
	out, err := chromedp.Run(h, chromedp.Evaluate[string](script))
	if err != nil {
		h.t.Fatal(err)
	}
	return out
}

// until polls as a tab's does, across pages that are loaded again meanwhile.
func (h *byHand) until(what, condition string) {
	h.t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(40 * time.Millisecond) {
		if ok, err := chromedp.Run(h, chromedp.Evaluate[bool](condition)); err == nil && ok {
			return
		}
	}
	h.t.Fatalf("%s; the page says:\n%s", what, h.text("document.body.innerText"))
}

func (h *byHand) click(selector string) {
	h.t.Helper()
	h.until("click "+selector, fmt.Sprintf("!!document.querySelector(%q) && (document.querySelector(%[1]q).click(), true)", selector))
}

func (h *byHand) set(script string) {
	h.t.Helper()
	h.until(script, script+", true")
}

func (h *byHand) typeIn(text string) { h.do(chromedp.KeyEvent(text)) }

// at is what the page asks for: cylinder, way and mark.
func (h *byHand) at() (cylinder, way int, mark float64) {
	h.t.Helper()
	said := h.text(`(() => { const s = JSON.parse(document.getElementById("by-hand").dataset.script); return s.reading.cylinder + " " + s.way + " " + document.getElementById("mark").value.replace("−", "-"); })()`)
	if _, err := fmt.Sscan(said, &cylinder, &way, &mark); err != nil {
		h.t.Fatal(said, err)
	}
	return cylinder, way, mark
}

func (h *byHand) heightAt(cylinder int, mark float64) float64 {
	y, _ := h.g.Rise(mark - h.tops[cylinder])
	return math.Round(y*1000) / 1000
}

// counted waits until so many pairs count.
func (h *byHand) counted(n int) {
	h.t.Helper()
	h.until(fmt.Sprintf("%d marks count", n), fmt.Sprintf(`document.querySelectorAll("#pairs tr:not(.aside)").length === %d && !document.getElementById("by-hand").dataset.busy`, n))
}

// reads takes the marks from..15 of a sweep: live by Enter alone, else typed.
func (h *byHand) reads(from int, live bool) {
	h.t.Helper()
	for n := from; n <= 15; n++ {
		cylinder, _, mark := h.at()
		y := h.heightAt(cylinder, mark)
		if live {
			h.show.um.Store(int64(math.Round(y * 1000)))
			time.Sleep(650 * time.Millisecond) // a hand lets go; the pedal comes to rest
			h.keys("enter")
		} else {
			h.typeIn(fmt.Sprintf("%.3f", y))
			h.keys("enter")
		}
		h.counted(n)
		time.Sleep(170 * time.Millisecond)
	}
}

func (h *byHand) begun(what string) {
	h.t.Helper()
	h.until(what, `!!document.getElementById("pair") && document.querySelectorAll("#curve .frame").length === 1`)
}

// over ends a way by Enter, once its last mark is read.
func (h *byHand) over() {
	h.t.Helper()
	time.Sleep(650 * time.Millisecond)
	h.keys("enter")
	h.until("the way is over", `!!document.getElementById("begin") && document.getElementById("begin").textContent.includes("°")`)
}

// TestReadByHandInABrowser: one cylinder typed, one from the live display by
// Enter alone, fifteen marks each way; nonsense is refused beside its field, a
// pair is taken back, a reload in mid-sweep goes on; the index is true.
func TestReadByHandInABrowser(t *testing.T) {
	h := readByHand(t)
	h.rules = axeRules(t)
	h.size(1280, 900)
	h.do(chromedp.Navigate(h.base + "/by-hand"))
	for _, step := range []string{"work on", "cautions"} { // both are the page's main button
		h.until(step, `document.querySelectorAll("main .main").length === 1`)
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

// shots keeps the page as it is now, wide and narrow, light and dark, and holds
// it against the rules for everybody.
func (h *byHand) shots(name string) {
	h.t.Helper()
	if _, err := chromedp.Run(h, chromedp.Evaluate[any](h.rules+";null")); err != nil && err != chromedp.ErrJSNull {
		h.t.Fatal(err)
	}
	for _, width := range []int64{800, 390, 320, 1280} {
		h.size(width, 900)
		for _, scheme := range []string{"dark", "light"} {
			h.scheme(scheme)
			h.fits(name)
			for _, broken := range append(found(h.watched, fmt.Sprintf(runRules, allRules)), found(h.watched, faintDigits)...) {
				h.t.Errorf("%s, %d px, %s: %s", name, width, scheme, broken)
			}
			if width != 320 {
				h.shot(fmt.Sprintf("%s-%d-%s", name, width, scheme))
			}
		}
	}
}
