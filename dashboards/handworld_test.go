package dashboards

import (
	"context"
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
