package dashboards

import (
	"fmt"
	"math/rand/v2"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"crownmark/fit"
	"crownmark/fit/crank"
	"crownmark/fit/engine"
	"crownmark/store"
)

// largeCompare is a job of eight cylinders, 32 sweeps of 2,000 readings, fitted.
func largeCompare(tb testing.TB) *Server {
	tb.Helper()
	e := practice(tb)
	e.FiringOrder = []int{1, 3, 7, 2, 6, 5, 4, 8}
	x := fit.Index{Status: "ok", Engine: e.Name, ReferenceCylinder: 1, IndexLimitDeg: 0.5, Simulated: true}
	k := &rack{jobs: []store.Job{{ID: 1, Name: "Practice eight", State: "open", Engine: e, Simulated: true}}, inputs: map[int64]fit.Input{1: {Engine: e}}}
	r := rand.New(rand.NewPCG(1, 2))
	for _, top := range e.Tops() {
		v, u := 0.1*r.NormFloat64(), 0.01
		c := fit.Cylinder{Number: top.Number, NominalDeg: top.NominalDeg, IndexErrorDeg: &v, IndexU95Deg: &u, ThrowErrorDeg: &v, ThrowU95Deg: &u}
		for n := range 4 {
			id, direction := int64(len(k.sweeps)+1), 1-2*(n%2)
			c.Curves = append(c.Curves, largeCurve(e, r, id, top.Number, direction))
			k.sweeps = append(k.sweeps, store.Sweep{ID: id, Job: 1, Cylinder: top.Number, Indicator: "left", State: store.SweepComplete, Direction: direction, Simulated: true})
		}
		x.Cylinders = append(x.Cylinders, c)
	}
	s, err := New(Options{Store: k, Bench: benchAt(0, nil), Software: "crownmark test", Solve: func(fit.Input) (fit.Index, error) { return x, nil }})
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

func largeCurve(e engine.Engine, r *rand.Rand, id int64, cylinder, direction int) fit.Curve {
	const readings = 2000
	c := fit.Curve{SweepID: id, Cylinder: cylinder, Indicator: "left", Direction: direction}
	rise := crank.Geometry{R: e.StrokeMM / 2, L: *e.RodMM, E: *e.PinOffsetMM}.Curve()
	for i := range readings {
		at := float64(direction) * 30 * (2*(float64(i)+0.3*r.NormFloat64())/readings - 1)
		y, _, _, _ := rise.At(at)
		noise := 0.001 * r.NormFloat64()
		c.XDeg, c.HeightMM, c.ResidualMM, c.Used = append(c.XDeg, at), append(c.HeightMM, y+noise), append(c.ResidualMM, noise), append(c.Used, r.Float64() > 0.01)
	}
	return c
}

var largeQuery = "sweeps=" + manyIDs(32)

// BenchmarkCompare is the server's answers for 32 sweeps of 2,000 readings
// whose job is fitted: at most 150 ms.
func BenchmarkCompare(b *testing.B) {
	s := largeCompare(b)
	for _, path := range []string{"/api/v1/compare", "/compare", "/api/v1/compare.svg", "/api/v1/compare.csv"} {
		b.Run(path, func(b *testing.B) {
			b.ReportAllocs()
			bytes := 0
			for b.Loop() {
				rec := httptest.NewRecorder()
				s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost"+path+"?"+largeQuery, nil))
				if bytes = rec.Body.Len(); rec.Code != 200 {
					b.Fatal(rec.Code, rec.Body)
				}
			}
			b.ReportMetric(float64(bytes)/1e6, "MB/answer")
		})
	}
}

// BenchmarkComparePage is the same in a browser: first paint (at most 500 ms),
// curves on the canvas, the work of one movement of the cursor, and how late
// the cursor is, in frames; and what drawing all anew takes, as in a zoom. A
// page of text beside it tells how busy the machine is.
func BenchmarkComparePage(b *testing.B) {
	srv := httptest.NewServer(largeCompare(b).Handler())
	b.Cleanup(srv.Close)
	b.Cleanup(srv.CloseClientConnections)
	w := browse(b, srv.URL)
	w.size(1280, 900)
	for b.Loop() {
		w.do(chromedp.Navigate(srv.URL + "/flags"))
		w.until("painted", `performance.getEntriesByName("first-contentful-paint").length === 1`)
		b.ReportMetric(w.number(`performance.getEntriesByName("first-contentful-paint")[0].startTime`), "plain-page-paint-ms")
		w.do(chromedp.Navigate(srv.URL + "/compare?" + largeQuery))
		w.until("drawn", `performance.getEntriesByName("curves").length === 1`)
		b.ReportMetric(w.number(`performance.getEntriesByName("first-contentful-paint")[0].startTime`), "first-paint-ms")
		b.ReportMetric(w.number(`performance.getEntriesByName("curves")[0].startTime`), "curves-ms")
		w.says(followCursor + `, ""`)
		for w.number(`document.body.dataset.followed ? 1 : 0`) == 0 { // a busy machine needs its time
			time.Sleep(100 * time.Millisecond)
		}
		for i, unit := range []string{"cursor-work-ms-p99", "frames-late-most", "frame-ms-p50", "frame-ms-p99", "redraw-ms"} {
			b.ReportMetric(w.number(fmt.Sprintf(`JSON.parse(document.body.dataset.followed)[%d]`, i)), unit)
		}
	}
	for _, f := range w.faults {
		b.Error(f)
	}
}

// followCursor moves the pointer once a frame, 100 times, and sees when the cursor
// stands where it should. Zooming draws at once, so its call is the work.
const followCursor = `(async () => {
	const stage = document.getElementById("stage"), hair = document.getElementById("hair"), box = stage.getBoundingClientRect(), frame = () => new Promise(requestAnimationFrame);
	const work = [], frames = []; let late = 0, last = await frame();
	for (let i = 0; i < 100; i++) {
		const x = box.left + 120 + (i * 7) % (box.width - 200), was = hair.style.transform;
		stage.dispatchEvent(new PointerEvent("pointermove", { clientX: x, clientY: box.top + 100, bubbles: true }));
		let spent = 0, n = 0;
		for (; n < 10; n++) {
			const now = await frame(), at = performance.now();
			frames.push(now - last); last = now; spent = at - now; // since the frame began: the cursor's work stands before this
			if (hair.style.transform !== was) break;
		}
		work.push(spent);
		late = Math.max(late, n);
	}
	const sorted = list => [...list].sort((a, b) => a - b), f = sorted(frames);
	const before = performance.now(); document.getElementById("in").click(); const redraw = performance.now() - before;
	document.body.dataset.followed = JSON.stringify([sorted(work)[98], late, f[f.length >> 1], f[Math.floor(f.length * .99)], redraw]);
})()`
