package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"crownmark/acquire/virtual"
)

// How late a page may show what an instrument said, with so many people
// looking and so many readings a second.
const (
	viewers      = 8
	readEvery    = 10 * time.Millisecond
	readings     = 2000
	lateP95MS    = 50.0
	lateP99MS    = 100.0
	shownAtLeast = 500 // of the readings, by each viewer: the pages are told 30 times a second
)

// watchHeight notes each height that the page shows, with the wall-clock time
// of the first frame after it stood in the document.
const watchHeight = `(() => {
  const height = () => (document.querySelector("[data-live-height], .probe .value")?.textContent || "").replace("−", "-").replace(",", ".");
  let was = height();
  window.shown = [];
  new MutationObserver(() => {
    const now = height();
    if (now === was) return;
    was = now;
    requestAnimationFrame(at => shown.push([Math.round(parseFloat(now) * 1000), performance.timeOrigin + at]));
  }).observe(document.body, { subtree: true, childList: true, characterData: true });
  return document.visibilityState === "visible";
})()`

// From the byte written on a pseudo-terminal to the pixel that changed: a
// daemon in a process of its own, a real browser with a page for each viewer.
func BenchmarkByteToPixel(b *testing.B) {
	encoder, indicator := openPTY(b), openPTY(b)
	p := startRun(b, program(b), writeBench(b, b.TempDir(), encoder.Path(), indicator.Path(), 7200))
	pages, behind := openViewers(b, p.page)
	events := listen(b, p.page)
	for b.Loop() {
		wrote := speak(b, encoder, indicator)
		told, _ := lateness(events(), wrote, 0)
		tellQuantiles(b, "told", told)
		var late, waits []float64
		for i, page := range pages {
			shown, err := chromedp.Run(page, chromedp.Evaluate[[][2]float64](`shown.splice(0)`))
			if err != nil {
				b.Fatal(err)
			}
			l, w := lateness(shown, wrote, behind[i])
			if len(l) < shownAtLeast {
				b.Errorf("viewer %d saw %d heights change, of %d written", i, len(l), len(wrote))
			}
			late, waits = append(late, l...), append(waits, w...)
		}
		tellQuantiles(b, "shown", late)
		tellQuantiles(b, "any", waits)
		if at := quantile(late, 0.95); at > lateP95MS {
			b.Errorf("p95 is %.1f ms, more than %g", at, lateP95MS)
		}
		if at := quantile(late, 0.99); at > lateP99MS {
			b.Errorf("p99 is %.1f ms, more than %g", at, lateP99MS)
		}
	}
	b.ReportMetric(0, "ns/op")
}

// listen is a viewer that draws nothing: what is left of the way then is the
// program's own. The returned func gives what was heard since the last call.
func listen(b *testing.B, url string) func() [][2]float64 {
	b.Helper()
	res, err := http.Get(url + "/api/v1/live")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = res.Body.Close() })
	var mu sync.Mutex
	var heard [][2]float64
	go func() {
		for lines := bufio.NewScanner(res.Body); lines.Scan(); {
			var e struct {
				Indicators []struct {
					HeightMM *float64 `json:"height_mm"`
				}
			}
			data, ok := strings.CutPrefix(lines.Text(), "data: ")
			if !ok || json.Unmarshal([]byte(data), &e) != nil || len(e.Indicators) == 0 || e.Indicators[0].HeightMM == nil {
				continue
			}
			mu.Lock()
			heard = append(heard, [2]float64{math.Round(*e.Indicators[0].HeightMM * 1000), ms(time.Now())})
			mu.Unlock()
		}
	}()
	return func() [][2]float64 {
		mu.Lock()
		defer mu.Unlock()
		out := heard
		heard = nil
		return out
	}
}

func tellQuantiles(b *testing.B, what string, ms []float64) {
	for _, q := range []float64{0.5, 0.95, 0.99} {
		b.ReportMetric(quantile(ms, q), fmt.Sprintf("%s-p%g-ms", what, 100*q))
	}
	b.Logf("%s: p50 %.1f ms, p95 %.1f, p99 %.1f, of %d", what, quantile(ms, 0.5), quantile(ms, 0.95), quantile(ms, 0.99), len(ms))
}

func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[min(len(v)-1, int(q*float64(len(v))))]
}

func openPTY(b *testing.B) *virtual.PTY {
	b.Helper()
	p, err := virtual.OpenPTY(func([]byte) {})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = p.Close() })
	return p
}

// openViewers opens a bench page for each viewer, in a window and a browser
// context of its own: as many devices. behind is by how many milliseconds each
// page's clock is behind ours.
func openViewers(b *testing.B, url string) (pages []context.Context, behind []float64) {
	b.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		b.Fatal("the pages are measured in a real browser: install chromium")
	}
	alloc, end := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-gpu", true))...)
	b.Cleanup(end)
	first, close := chromedp.NewContext(alloc)
	b.Cleanup(close)
	for i := range viewers {
		page := first
		if i > 0 {
			page, close = chromedp.NewContext(first, chromedp.WithNewBrowserContext(), chromedp.WithNewWindow(true))
			b.Cleanup(close)
		}
		if err := chromedp.Do(page, chromedp.Navigate(url+"/")); err != nil {
			b.Fatal(err)
		}
		pages = append(pages, page)
	}
	for i, page := range pages {
		visible, err := chromedp.Run(page, chromedp.Evaluate[bool](watchHeight))
		if err != nil || !visible {
			b.Fatalf("viewer %d: visible %v, %v", i, visible, err)
		}
		behind = append(behind, clockBehind(b, page))
	}
	return pages, behind
}

// clockBehind asks a page for its time: the quickest of some answers says best.
func clockBehind(b *testing.B, page context.Context) float64 {
	best, behind := math.Inf(1), 0.0
	for range 20 {
		before := ms(time.Now())
		at, err := chromedp.Run(page, chromedp.Evaluate[float64](`performance.timeOrigin + performance.now()`))
		after := ms(time.Now())
		if err != nil {
			b.Fatal(err)
		}
		if after-before < best {
			best, behind = after-before, (before+after)/2-at
		}
	}
	if best > 10 {
		b.Logf("a page's clock is known to %.1f ms only", best/2)
	}
	return behind
}

func ms(t time.Time) float64 { return float64(t.UnixNano()) / 1e6 }

// speak writes a count and a height each readEvery; the n-th height is n µm.
// It returns when each was written.
func speak(b *testing.B, encoder, indicator *virtual.PTY) (wrote []time.Time) {
	b.Helper()
	beat := time.NewTicker(readEvery)
	defer beat.Stop()
	for n := range readings {
		<-beat.C
		if err := encoder.Write(fmt.Appendf(nil, "%d\n", n)); err != nil {
			b.Fatal(err)
		}
		wrote = append(wrote, time.Now())
		if err := indicator.Write(fmt.Appendf(nil, "%+.3f\n", float64(n)/1000)); err != nil {
			b.Fatal(err)
		}
	}
	time.Sleep(300 * time.Millisecond) // the last ones are under way
	return wrote
}

// lateness is how many milliseconds after it was written each height that was
// shown stood there, and for every height written, how long until it or a newer
// one did. The first second is left out: instruments are being heard for the first time.
func lateness(shown [][2]float64, wrote []time.Time, behind float64) (late, waits []float64) {
	next := 0
	for _, s := range shown {
		n, at := int(s[0]), s[1]+behind
		if n < 0 || n >= len(wrote) {
			continue
		}
		for ; next <= n; next++ {
			if next >= 100 {
				waits = append(waits, at-ms(wrote[next]))
			}
		}
		if n >= 100 {
			late = append(late, at-ms(wrote[n]))
		}
	}
	return late, waits
}
