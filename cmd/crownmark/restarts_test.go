package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// tab is a page in a real browser.
type tab struct {
	context.Context
	t *testing.T
}

func openTab(t *testing.T, width, height int) tab {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("the pages are tested in a real browser: install chromium")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-gpu", true), chromedp.WindowSize(width, height),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("no-first-run", true))
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancelTab := chromedp.NewContext(alloc)
	t.Cleanup(cancelTab)
	return tab{ctx, t}
}

func (w tab) do(actions ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	if err := chromedp.Do(w, actions...); err != nil {
		w.t.Fatal(err)
	}
}

// until waits for a condition of the page, at most so long, and says how long
// it took.
func (w tab) until(what, condition string, most time.Duration) time.Duration {
	w.t.Helper()
	begun := time.Now()
	for { // by hand: a page may be left for another meanwhile
		ok, err := chromedp.Run(w, chromedp.Evaluate[bool]("!!("+condition+")"))
		if err == nil && ok {
			break
		}
		if time.Since(begun) > most {
			now, _ := chromedp.Run(w, chromedp.Evaluate[string]("location.pathname + '\\n' + document.body.innerText"))
			w.t.Fatalf("%s: %v; the page says:\n%s", what, err, now)
		}
		time.Sleep(20 * time.Millisecond)
	}
	return time.Since(begun)
}

func restartsAsked() int {
	if n, err := strconv.Atoi(os.Getenv("CROWNMARK_RESTARTS")); err == nil && n > 0 {
		return n
	}
	return 3
}

// freeAddress is a loopback address that nobody listens on.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// TestPageOutlivesTheDaemon kills the daemon under an open bench page, and
// starts it again: the page says within about a second that nothing is live, and
// follows the bench again by itself soon after it is back. CROWNMARK_RESTARTS:
// how often.
func TestPageOutlivesTheDaemon(t *testing.T) {
	rig := sweepingRig(t)
	dir, prog := t.TempDir(), program(t)
	config := writeBench(t, dir, rig.EncoderPort(), rig.IndicatorPort("left"), int(rig.Truth().Encoder.CountsPerRev))
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	fixed := strings.Replace(string(text), `"127.0.0.1:0"`, fmt.Sprintf("%q", freeAddress(t)), 1)
	if err := os.WriteFile(config, []byte(fixed), 0o644); err != nil {
		t.Fatal(err)
	}
	p := startRun(t, prog, config)
	w := openTab(t, 1280, 800)
	w.do(chromedp.Navigate(p.page + "/"))
	const live = `document.body.dataset.live === "yes" && document.getElementById("encoder-state").dataset.state === "live" && !document.querySelector(".readout.stale")`
	w.until("live at first", live, 20*time.Second)
	w.do(chromedp.Evaluate[chromedp.Void](`void (window.born = 1)`))
	var worst, stale time.Duration
	for range restartsAsked() {
		p.kill()
		stale = max(stale, w.until("stale", `document.body.dataset.live === "no" && document.querySelectorAll(".readout:not(.stale)").length === 0`, 5*time.Second))
		p = startRun(t, prog, config)
		back := time.Now() // the daemon has said where its page is; instruments are heard soon after
		w.until("live again", live, 20*time.Second)
		worst = max(worst, time.Since(back))
	}
	w.until("the same page, never loaded anew", "window.born === 1", time.Second)
	t.Logf("%d restarts: said to be stale after %v at most, live again %v at most after the daemon was up", restartsAsked(), stale.Round(time.Millisecond), worst.Round(time.Millisecond))
}
