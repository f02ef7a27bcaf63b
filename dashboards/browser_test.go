package dashboards

import (
	"context"
	"fmt"
	"math"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/store"
)

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
	speaks(t, s, b)
	return stage{s, b, k, srv.URL}
}

// speaks lets a bench speak even when nothing happens.
func speaks(t testing.TB, s *Server, b *fakeBench) {
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	go func() {
		for ctx.Err() == nil {
			time.Sleep(200 * time.Millisecond)
			s.hub.publish("reading", s.readingOf(b.Snapshot()))
		}
	}()
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

// TestBenchInABrowser looks at the bench page in a real browser: values move by
// themselves, buttons reach the bench, a sweep draws itself, and nothing is wider
// than a phone.
func TestBenchInABrowser(t *testing.T) {
	st := staged(t)
	w := browse(t, st.url)
	st.benchMoves(w)
	st.buttonsWork(w)
	w.do(chromedp.Reload())
	w.until("the angle is shown", `document.getElementById("angle").textContent !== "—"`)
	st.drawn(w)
	everywhere(w, "bench")
	w.faultless()
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
	st.overtaken(w)
}

// overtaken: what the program said before a press, coming late, does not undo
// on the page what it said after it.
func (st stage) overtaken(w *watched) {
	const stands = `document.querySelector(".probe h2").textContent`
	w.until("an answer is held back", `(() => {
		const real = window.fetch;
		window.late = "no";
		window.fetch = async (...a) => {
			const r = await real(...a);
			if (String(a[0]) !== location.href || late !== "no") return r;
			late = "asked";
			await new Promise(go => { window.letGo = go; });
			return r;
		};
		fresh().then(() => { late = "shown: " + `+stands+`; });
		return true;
	})()`)
	w.until("it was asked for", `late === "asked" && !!window.letGo`)
	if err := st.bench.Select(w.t.Context(), acquire.Selection{Job: 1, Cylinders: map[string]int{"left": 4}}); err != nil {
		w.t.Fatal(err)
	}
	w.until("the newer answer is shown", `(fresh(), `+stands+` === "left, mm: on cylinder 4")`)
	w.until("the older one comes, and changes nothing", `(letGo(), late === "shown: left, mm: on cylinder 4")`)
	if err := st.bench.Select(w.t.Context(), acquire.Selection{Job: 1, Cylinders: map[string]int{"left": 3}}); err != nil {
		w.t.Fatal(err)
	}
	w.until("cylinder 3 again", `(fresh(), `+stands+` === "left, mm: on cylinder 3")`)
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
