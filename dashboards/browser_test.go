package dashboards

import (
	"context"
	"fmt"
	"math"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/store"
)

// watched is one tab, with everything that went wrong in it.
type watched struct {
	context.Context
	t    testing.TB
	base string

	mu     sync.Mutex
	also   string // another server of ours
	faults []string
}

func (w *watched) ours(url string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return strings.HasPrefix(url, w.base) || strings.HasPrefix(url, "about:") || (w.also != "" && strings.HasPrefix(url, w.also))
}

func (w *watched) fault(format string, args ...any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.faults = append(w.faults, fmt.Sprintf(format, args...))
}

func (w *watched) do(steps ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	if err := chromedp.Do(w, steps...); err != nil {
		w.t.Fatal(err)
	}
}

// until polls a JavaScript condition in the page.
func (w *watched) until(what, condition string) {
	w.t.Helper()
	if _, err := chromedp.Run(w, chromedp.Poll[bool](condition, chromedp.WithPollingTimeout(10*time.Second))); err != nil {
		now, _ := chromedp.Run(w, chromedp.Evaluate[string]("document.body.innerText"))
		w.t.Fatalf("%s: %v; the page says:\n%s", what, err, now)
	}
}

func call[P, R any](cmd cdp.Command[P, R], p P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, cmd, p)
		return err
	})
}

func browse(t testing.TB, base string) *watched {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("the pages are tested in a real browser: install chromium")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-gpu", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("no-first-run", true))
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancelTab := chromedp.NewContext(alloc)
	t.Cleanup(cancelTab)
	w := &watched{Context: ctx, t: t, base: base}
	w.do(call(network.Enable, network.EnableParams{}), call(log.Enable, cdp.Empty{}), call(runtime.Enable, cdp.Empty{}))
	err = chromedp.Listen(ctx, func(e any) {
		switch e := e.(type) {
		case *network.EventRequestWillBeSent:
			if !w.ours(e.Request.URL) {
				w.fault("external request: %s", e.Request.URL)
			}
		case *network.EventResponseReceived:
			if e.Response.Status >= 400 {
				w.fault("%s answered %v", e.Response.URL, e.Response.Status)
			}
		case *runtime.EventExceptionThrown:
			w.fault("exception: %s %v", e.ExceptionDetails.Text, e.ExceptionDetails.Exception)
		case *log.EventEntryAdded:
			if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning {
				w.fault("console: %s %s", e.Entry.Text, e.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func (w *watched) size(width, height int64) {
	w.do(call(emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1}))
}

func (w *watched) scheme(name string) {
	w.do(call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}}))
}

// shot keeps a picture of the whole page when CROWNMARK_SHOTS names a folder.
func (w *watched) shot(name string) {
	dir := os.Getenv("CROWNMARK_SHOTS")
	if dir == "" {
		return
	}
	b, err := chromedp.Run(w, chromedp.FullScreenshot(100))
	if err != nil {
		w.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), b, 0o644); err != nil {
		w.t.Fatal(err)
	}
}

// pdf prints the page as the browser's own print would.
func (w *watched) pdf() []byte {
	w.t.Helper()
	b, err := chromedp.Run(w, func(ctx context.Context, t *chromedp.Target) ([]byte, error) {
		r, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: new(true)})
		return r.Data, err
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return b
}

// print keeps that when CROWNMARK_SHOTS names a folder.
func (w *watched) print(name string) {
	dir := os.Getenv("CROWNMARK_SHOTS")
	if dir == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(dir, name+".pdf"), w.pdf(), 0o644); err != nil {
		w.t.Fatal(err)
	}
}

// fits fails when the page is wider than its window.
func (w *watched) fits(name string) {
	w.t.Helper()
	over, err := chromedp.Run(w, chromedp.Evaluate[float64]("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
	if err != nil {
		w.t.Fatal(err)
	}
	if over > 0 {
		wide, _ := chromedp.Run(w, chromedp.Evaluate[string](`[...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > innerWidth + 1).slice(0, 5).map(e => e.tagName + "." + e.className).join(" ")`))
		w.t.Errorf("%s: %g px wider than the window: %s", name, over, wide)
	}
}

type stage struct {
	server *Server
	bench  *fakeBench
	shelf  *shelf
	url    string
}

// staged is a job done on the virtual bench, with a sweep of cylinder 3 running.
func staged(t *testing.T) stage {
	in := swept(t, practice(t), 11, virtual.DefaultPlan())
	in.Marks = []fit.Mark{}
	x := solved(t, in)
	for _, press := range []float64{0.8, 0.75, 0.86} {
		in.Marks = append(in.Marks, fit.Mark{MarkDeg: 0, AngleDeg: *x.Cylinders[0].TDCDeg - press, Mount: 1, Approach: 1})
	}
	var sweeps []store.Sweep
	began := time.Date(2026, 11, 20, 9, 0, 0, 0, time.UTC)
	for i, w := range in.Sweeps {
		end := began.Add(time.Duration(i+1) * 40 * time.Second)
		d := 1
		if i%2 == 1 {
			d = -1
		}
		sweeps = append(sweeps, store.Sweep{ID: w.ID, Job: 1, Cylinder: w.Cylinder, Indicator: w.Indicator, State: "complete", Cause: "reversal", Direction: d,
			Mount: w.Mount, Setup: w.Setup, Zeroing: w.Zeroing, Simulated: true, Readings: int64(len(w.Height.T)), StartedAt: end.Add(-20 * time.Second), EndedAt: &end})
	}
	k := &shelf{sweeps: sweeps, input: in, rev: "412-crownmark", stats: store.Stats{HeadHash: strings.Repeat("5e1c90ab", 8), Storage: store.StorageOK},
		jobs: map[int64]store.Job{1: {ID: 1, Name: "Practice four, first build", State: "open", Engine: in.Engine, Revision: 1, DirectionSign: 1, Simulated: true,
			CreatedAt: began, Selected: map[string]int{"left": 3}, Order: in.Engine.Order(false)}}}
	b := benchAt(171.36, map[string]float64{"left": -0.482})
	b.snapshot.Selection = acquire.Selection{Job: 1, Cylinders: map[string]int{"left": 3}}
	b.snapshot.Indicators[0].Cylinder = 3
	b.snapshot.Recording = true
	s, err := New(Options{Store: k, Bench: b, Software: "crownmark test", Simulated: true})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(s.Handler())
	t.Cleanup(srv.Close)
	t.Cleanup(srv.CloseClientConnections)
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	go func() { // a bench speaks even when nothing happens
		for ctx.Err() == nil {
			time.Sleep(200 * time.Millisecond)
			s.hub.publish("reading", s.readingOf(b.Snapshot()))
		}
	}()
	return stage{s, b, k, srv.URL}
}

func (st stage) read(angle, height float64) {
	n := st.bench.set(func(n *acquire.Snapshot) {
		n.NowNS += 40_000_000
		n.Encoder.Value = &angle
		probes := append([]acquire.InstrumentState(nil), n.Indicators...)
		probes[0].Value = &height
		n.Indicators = probes
	})
	st.server.hub.publish("reading", st.server.readingOf(n))
}

// TestPagesInABrowser looks at every page in a real browser: values move by
// themselves, nothing is asked of the outside, nothing complains, and nothing
// is wider than a phone.
func TestPagesInABrowser(t *testing.T) {
	st := staged(t)
	w := browse(t, st.url)
	st.benchMoves(w)
	st.buttonsWork(w)
	for _, at := range []struct {
		name          string
		width, height int64
	}{{"wide", 1440, 900}, {"tablet", 820, 1180}, {"phone", 390, 844}} {
		for _, scheme := range []string{"light", "dark"} {
			w.size(at.width, at.height)
			w.scheme(scheme)
			for _, p := range []struct{ name, path string }{{"bench", "/"}, {"turn", "/turn"}, {"job", "/jobs/1"}, {"jobs", "/jobs"}, {"flags", "/flags"}, {"report", "/jobs/1/report"}} {
				w.do(chromedp.Navigate(st.url + p.path))
				name := p.name + "-" + at.name + "-" + scheme
				if p.name == "bench" {
					w.until("the angle is shown", `document.getElementById("angle").textContent !== "—"`)
					st.drawn(w)
				}
				w.fits(name)
				w.shot(name)
			}
		}
	}
	w.do(chromedp.Navigate(st.url + "/jobs/1/report"))
	w.print("report")
	w.do(chromedp.Navigate(st.url + "/jobs/1"))
	w.print("job")
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, f := range w.faults {
		t.Error(f)
	}
}

func (st stage) benchMoves(w *watched) {
	w.size(1440, 900)
	w.do(chromedp.Navigate(st.url + "/"))
	st.read(171.36, -0.482)
	w.until("the height is shown", `document.querySelector(".probe .value").textContent === "−0.482"`)
	st.read(172.36, -0.400)
	w.until("the height moves", `document.querySelector(".probe .value").textContent === "−0.400"`)
	// 172.36° of the encoder, so many after the reference's top; seen from the
	// damper end this engine's wheel turns clockwise. A top comes every half turn,
	// each within 3° of where it should; the indicator stands on cylinder 3.
	x := solved(w.t, st.shelf.input)
	at := math.Mod(172.36-*x.Cylinders[0].TDCDeg+720, 360)
	var from float64
	for _, c := range x.Cylinders {
		if c.Number == 3 {
			from = foldHalf(172.36 - *c.TDCDeg)
		}
	}
	w.until("the angle counts from the top of 3", fmt.Sprintf(`document.getElementById("angle").textContent === "%s°" && document.getElementById("angle-of").textContent === "after the top of 3 (− is before)"`, signed(from, 2)))
	w.until("the crank angle stands beside", fmt.Sprintf(`document.getElementById("angle-2").textContent.startsWith("%.2f°")`, at))
	w.until("the wheel turns along", fmt.Sprintf(`document.getElementById("turn").style.transform === "rotate(%.2fdeg)"`, at))
	w.until("the next top is ahead", fmt.Sprintf(`Math.abs(parseFloat(/ in ([0-9.]+)°/.exec(document.getElementById("next-top").textContent)[1]) - %g) < 3`, 180-math.Mod(at, 180)))
}

// buttonsWork: what a person presses reaches the bench, the page shows it, and
// a refusal is told in words.
func (st stage) buttonsWork(w *watched) {
	press := func(text string) {
		w.t.Helper()
		w.until("press "+text, `!![...document.querySelectorAll("button")].find(b => b.textContent.trim() === "`+text+`" && (b.click(), true))`)
	}
	press("2")
	w.until("cylinder 2 is selected", `document.querySelector(".probe h2").textContent === "left, mm: on cylinder 2"`)
	st.bench.mu.Lock()
	st.bench.err = fmt.Errorf("1.2° turned: %w", acquire.ErrNoMotion)
	st.bench.mu.Unlock()
	press("The last motion was in running direction")
	w.until("the refusal is told", `document.getElementById("said").textContent.includes("turn a few degrees one way")`)
	st.bench.mu.Lock()
	st.bench.err = nil
	st.bench.mu.Unlock()
	press("3")
	w.until("cylinder 3 is selected", `document.querySelector(".probe h2").textContent === "left, mm: on cylinder 3"`)
	w.forgive("409")
}

// forgive takes faults off the list that a step made on purpose.
func (w *watched) forgive(status string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.faults = slices.DeleteFunc(w.faults, func(f string) bool { return strings.Contains(f, status) })
}

// drawn lets a sweep of cylinder 3 run half-way before the page's eyes.
func (st stage) drawn(w *watched) {
	w.until("the stream is open", `document.body.dataset.live === "yes"`)
	st.running(true)
	for i := range 60 {
		d := -22 + float64(i)*0.6
		st.read(200+d, -0.0072*d*d+0.118)
	}
	w.until("the curve draws itself", `document.querySelectorAll("#curve-lines polyline").length === 1 && document.querySelector("#curve-lines polyline").points.length > 50`)
	st.running(false)
}

func (st stage) running(on bool) {
	e := sweepEvent{ID: 1, Job: 1, Cylinder: 3, Indicator: "left", State: "complete", Cause: "reversal", Direction: 1}
	var running []acquire.RunningSweep
	if on {
		e.State, e.Cause = "running", ""
		running = []acquire.RunningSweep{{ID: 1, Job: 1, Cylinder: 3, Indicator: "left", Direction: 1}}
	}
	st.bench.set(func(n *acquire.Snapshot) { n.Running = running })
	st.server.hub.publish("sweep", e)
}
