package dashboards

import (
	"fmt"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"crownmark/acquire"
)

// talkative gives a bench an encoder with its own clock, an indicator behind an
// adapter that holds bytes back, and one whose port may not be opened.
func talkative(b *fakeBench) {
	b.set(func(n *acquire.Snapshot) {
		e := &n.Encoder
		e.Config = acquire.InstrumentConfig{Kind: acquire.KindEncoder, Baud: 115200, Frame: "8N1", Format: "line"}
		e.Identity, e.OwnClock = "usb-bench_encoder_0001-if00-port0", &acquire.OwnClock{GainsPPM: new(-41.3), RunsOver: 1 << 32, Restarted: 1, LateMS: 1.4}
		e.Rhythm = acquire.Rhythm{IntervalMS: new(10.02), JitterMS: new(1.31), Missing: 3}
		e.Rhythm.Intervals.Counts = [14]int64{0, 0, 0, 1, 3, 12, 802, 4120, 9, 1, 0, 0, 0, 1}
		left := n.Indicators[0]
		left.Config = acquire.InstrumentConfig{Kind: acquire.KindIndicator, Baud: 9600, Frame: "7E1", Format: "line", IntervalMS: 20, LatencyUMS: 50, LatencyOpen: true}
		left.LatencyTimerMS, left.ResolutionMM, left.Identity = 16, 0.001, "usb-bench_indicator_0002-if00-port0"
		left.Rhythm = acquire.Rhythm{IntervalMS: new(20.4), JitterMS: new(17.2), BatchMS: new(40.8), BurstShare: 0.5}
		left.Rhythm.Intervals.Counts = [14]int64{40, 2, 0, 0, 0, 0, 0, 0, 44, 0, 0, 0, 0, 0}
		for i := range 18 {
			left.Lines = append(left.Lines, acquire.Line{AtNS: n.NowNS, Raw: fmt.Appendf(nil, "%+.3f mm", -0.482+0.001*float64(i))})
			e.Lines = append(e.Lines, acquire.Line{AtNS: n.NowNS, Raw: fmt.Appendf(nil, "%d,%d", 3425+i, 81_000_000+i*10_000)})
		}
		left.Lines = append(left.Lines, acquire.Line{Raw: []byte("+0.4\x00\xb02"), Reason: acquire.UnusedNoise}, acquire.Line{Raw: []byte("<b>E4</b>"), Reason: acquire.UnusedError, Cause: "E4"})
		right := acquire.InstrumentState{Kind: acquire.KindIndicator, Name: "right", Port: "/dev/ttyUSB7", Status: string(acquire.PortPermission),
			Config: acquire.InstrumentConfig{Kind: acquire.KindIndicator, Baud: 19200, Frame: "8E1", Format: "modbus-rtu", IntervalMS: 20, LatencyMS: 4, LatencyUMS: 2},
			Detail: "Indicator right: port /dev/ttyUSB7 may not be opened by user anna: it belongs to the group dialout: run `sudo usermod -aG dialout anna`, then log out and in again."}
		n.Indicators = []acquire.InstrumentState{left, right}
		n.Notices = []acquire.Notice{{Code: "latency_timer", Text: "The adapter of indicator left hands bytes over in lumps of 16 ms: readings get times that are off by so much.",
			Fix: "Set its latency timer to 1 ms: write 1 to latency_timer under /sys/bus/usb-serial/devices, or install the udev rule that does it."}}
	})
	b.stats.Instruments = []acquire.InstrumentStats{
		{Kind: acquire.KindEncoder, Name: "encoder", Readings: 5210, Bytes: 31260},
		{Kind: acquire.KindIndicator, Name: "left", Readings: 86, Bytes: 1204, Reopens: 2, Unused: map[acquire.UnusedReason]int64{acquire.UnusedNoise: 4, acquire.UnusedError: 1, acquire.UnusedUnwatched: 40, acquire.UnusedTooLong: 0}},
		{Kind: acquire.KindIndicator, Name: "right"},
	}
}

func TestInstrumentsAreToldWhole(t *testing.T) {
	a := startAPI(t, nil)
	talkative(a.bench)
	doc := a.want(200, a.call("GET", "/api/v1/bench", "")).doc
	left := doc["indicators"].([]any)[0].(map[string]any)
	lines := left["lines"].([]any)
	if last := lines[18].(map[string]any); len(lines) != 20 || last["text"] != `+0.4\x00\xb02` || last["reason"] != "line_noise" {
		t.Errorf("lines: %v", lines)
	}
	if heard := left["heard"].(map[string]any); heard["unused"].(map[string]any)["line_noise"] != 4.0 || heard["reopens"] != 2.0 {
		t.Errorf("heard: %v", heard)
	}
	if delay := left["delay"].(map[string]any); delay["latency_prior_from"] != "assumed" || delay["latency_prior_u95_ms"] != 100.0 {
		t.Errorf("delay: %v", delay)
	}
	encoder := doc["encoder"].(map[string]any)
	if clock := encoder["own_clock"].(map[string]any); clock["gains_ppm"] != -41.3 || encoder["delay"] != nil || left["own_clock"] != nil {
		t.Errorf("clock %v, delay %v", clock, encoder["delay"])
	}
	page := pageOver(t, &shelf{}, a.bench, "/instruments")
	for _, want := range []string{"2 of 3 are heard", "usb-bench_encoder_0001-if00-port0", "line, 9600 7E1, asked each 20 ms", "set it to 1 ms", `&lt;b&gt;E4&lt;/b&gt;`, `&#43;0.4\x00\xb02`,
		"about 40.8 ms apart", "−41.3 ppm against ours", "runs over each 4295 s", "0.0 ± 100.0 ms", "4.0 ± 4.0 ms", "Zero bytes: parity errors", "run `sudo usermod", `ATTR{latency_timer}=&#34;1&#34;`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(page, "<b>E4") || strings.Contains(page, "No line end for 256 bytes.</td><td data-label=\"How many\"") {
		t.Error("a line was taken for markup, or a reason told that never was")
	}
}

func TestBarsOfIntervals(t *testing.T) {
	got, usual := bars([]intervalDoc{{new(0.1), 0}, {new(10.0), 400}, {new(20.0), 1}, {nil, 100}})
	if usual != "0.1…10" || len(got) != 4 || got[0].H != 0 || got[1].H != barTall || got[2].H != 2 || got[3].H != barTall/4 || got[3].Y+got[3].H != barFloor || got[3].Label != "∞" {
		t.Errorf("%q %+v", usual, got)
	}
	if _, usual = bars([]intervalDoc{{nil, 0}}); usual != "" {
		t.Error(usual)
	}
}

// The page follows, holds its lines where asked to, and says so when the
// program falls silent.
func TestInstrumentsPageInABrowser(t *testing.T) {
	st := staged(t)
	talkative(st.bench)
	srv := httptest.NewServer(st.server.Handler())
	w := browse(t, srv.URL)
	w.size(1280, 900)
	w.do(chromedp.Navigate(srv.URL + "/instruments"))
	w.until("the stream is open", `document.body.dataset.live === "yes" || false`)
	st.instrumentsMove(w)
	w.faultless()
	srv.CloseClientConnections()
	srv.Config.Close()
	w.until("the program's silence is told", `document.querySelector(".instrument .state").textContent === "no news from the program"`)
}

func (st stage) instrumentsMove(w *watched) {
	st.read(171.5, -0.3)
	w.until("the height moves", `document.querySelector('[data-name="left"] .value').textContent === "−0.300"`)
	last := func(text string) string {
		return `document.querySelector('[data-name="left"] .lines').firstElementChild.querySelector("code").textContent ` + text
	}
	say := func(text string) {
		st.bench.set(func(n *acquire.Snapshot) {
			probes := append([]acquire.InstrumentState(nil), n.Indicators...)
			probes[0].Lines = append(append([]acquire.Line(nil), probes[0].Lines[1:]...), acquire.Line{AtNS: n.NowNS, Raw: []byte(text)})
			n.Indicators = probes
		})
	}
	say("+0.777 mm")
	time.Sleep(1100 * time.Millisecond) // parts are fetched each second
	st.read(171.6, -0.2)
	w.until("the line comes", last(`=== "+0.777 mm"`))
	w.do(chromedp.Click(chromedp.CSS("#hold")))
	say("+0.888 mm")
	time.Sleep(1100 * time.Millisecond)
	st.read(171.7, -0.1)
	w.until("the rest goes on", `document.querySelector('[data-name="left"] .value').textContent === "−0.100"`)
	w.until("held lines stay", last(`=== "+0.777 mm"`))
	w.do(chromedp.Click(chromedp.CSS("#hold")))
	time.Sleep(1100 * time.Millisecond)
	st.read(171.8, -0.05)
	w.until("lines go on", last(`=== "+0.888 mm"`))
	w.do(chromedp.Click(chromedp.CSS(`.mounting [data-body='{"turned_deg":180}']`)))
	w.until("the adapter's turn is told", `document.getElementById("said").textContent.includes("turned by 180°")`)
	st.bench.mu.Lock()
	defer st.bench.mu.Unlock()
	if !slices.Contains(st.bench.zeroed, "encoder true") {
		w.t.Errorf("the bench was not told: %q", st.bench.zeroed)
	}
}
