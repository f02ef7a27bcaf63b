package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"crownmark/fit"
)

// keys are what a pedal or a small pad has.
var keys = map[string]string{"left": kb.ArrowLeft, "right": kb.ArrowRight, "enter": kb.Enter, "back": kb.Backspace}

func (w tab) press(name string) { w.t.Helper(); w.do(chromedp.KeyEvent(keys[name])) }

// reach moves the focus by the arrow until it stands on something that is
// called so, and presses it.
func (w tab) reach(label string) {
	w.t.Helper()
	const here = `document.activeElement === document.body ? "" : document.activeElement.textContent.trim()`
	for range 120 {
		now, err := chromedp.Run(w, chromedp.Evaluate[string](here))
		if err != nil {
			w.t.Fatal(err)
		}
		if strings.Contains(now, label) {
			w.press("enter")
			return
		}
		w.press("right")
	}
	w.t.Fatalf("the keys do not reach %q on %s", label, w.path())
}

func (w tab) path() string {
	p, err := chromedp.Run(w, chromedp.Evaluate[string]("location.pathname"))
	if err != nil {
		w.t.Fatal(err)
	}
	return p
}

// arrives waits for a page and its scripts.
func (w tab) arrives(path string) {
	w.t.Helper()
	w.until("the page "+path, fmt.Sprintf(`location.pathname === %q && document.readyState === "complete"`, path), patience)
}

// shots keeps the step at three widths, light and dark, when CROWNMARK_SHOTS
// names a folder.
func (w tab) shots(name string) {
	dir := os.Getenv("CROWNMARK_SHOTS")
	if dir == "" {
		return
	}
	for _, width := range []int64{1280, 800, 390} {
		for _, scheme := range []string{"light", "dark"} {
			w.do(called(emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 800, DeviceScaleFactor: 1}),
				called(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}))
			b, err := chromedp.Run(w, chromedp.FullScreenshot(100))
			if err != nil {
				w.t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%d-%s.png", name, width, scheme)), b, 0o644); err != nil {
				w.t.Fatal(err)
			}
		}
	}
	w.do(called(emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 1280, Height: 800, DeviceScaleFactor: 1}))
}

func called[P, R any](cmd cdp.Command[P, R], p P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, cmd, p)
		return err
	})
}

// takePart starts the demo in which a person presses the keys, and returns its page.
func takePart(t *testing.T) (page string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, told := io.Pipe()
	var errs bytes.Buffer
	ended := make(chan int, 1)
	go func() {
		ended <- Run(ctx, []string{"demo", "--take-part", "--fast", "--engine", "testdata/engines/shed-twin.toml", "--listen", "127.0.0.1:0"}, nil, told, &errs)
		told.Close()
	}()
	t.Cleanup(func() {
		cancel()
		if status := <-ended; status != exitDone || errs.Len() > 0 {
			t.Errorf("the demo ended with status %d: %s", status, errs.String())
		}
	})
	lines := bufio.NewScanner(out)
	for page == "" && lines.Scan() {
		page, _ = strings.CutPrefix(lines.Text(), simulatedMark+"page: ")
		if !strings.HasPrefix(page, "http") {
			page = ""
		}
	}
	go func() {
		for lines.Scan() {
			t.Log(lines.Text())
		}
	}()
	return page
}

const patience = 90 * time.Second // for what a hand at the bar takes, five times as fast

// TestWholeJobByFourKeys does a job from an empty bench to the issued report
// with ←, →, Enter and Backspace only, while a virtual hand turns the crank.
func TestWholeJobByFourKeys(t *testing.T) {
	page := takePart(t)
	w := openTab(t, 1280, 800)
	w.do(chromedp.Navigate(page + "/"))
	step := func(words string) {
		t.Helper()
		w.until(words, fmt.Sprintf(`document.readyState === "complete" && !!document.getElementById("do") && document.getElementById("do").dataset.text.includes(%q)`, words), patience)
	}
	step("Make a job")
	w.shots("01-empty")
	w.press("enter")
	w.arrives(`/jobs`)
	w.shots("02-jobs")
	w.press("enter")
	w.arrives(`/jobs/new`)
	w.reach("Shed twin")
	w.shots("03-new-job")
	w.reach("bare block")
	w.arrives(`/jobs/1`)
	w.shots("04-job")
	w.press("enter")
	step("Read this")
	w.shots("05-cautions")
	w.press("enter")
	step("Turn a few degrees")
	w.until("it has turned", `parseFloat((/([\d.]+)°/.exec(document.getElementById("last-motion").textContent) || [])[1]) >= 5`, patience)
	w.shots("06-direction")
	w.press("enter")
	for n := range 3 { // two cylinders, and the reference again
		w.until("the next cylinder", `document.getElementById("next").dataset.phase === "place"`, patience)
		if n == 1 {
			w.shots("07-next")
		}
		w.press("enter")
		if n == 1 {
			w.until("past the top", `document.querySelectorAll(".cell.on").length > 20`, patience)
			w.shots("08-sweeping")
		}
		w.until("the sweep begins", `document.getElementById("next").dataset.phase === "sweep"`, patience)
	}
	step("All cylinders are swept")
	w.shots("09-swept")
	w.press("enter")
	step("Check the damper")
	w.press("enter")
	w.arrives(`/marks`)
	// The mark tells an untruth that nobody knows yet, so that the page cannot
	// say that it stands there: near it the crank rests.
	const stands = `(() => {
		const a = document.getElementById("angle").textContent, w = (window.watched ||= { a: "", at: 0 });
		if (w.a !== a) { w.a = a; w.at = performance.now(); }
		return Math.abs((parseFloat(a) + 180) % 360 - 180) < 8 && performance.now() - w.at > 800;
	})()`
	for n := range 3 {
		w.until("mark 0 under the pointer", stands, patience)
		w.press("enter")
		w.until("the press is kept", fmt.Sprintf(`document.querySelectorAll("#table .each li").length === %d`, n+1), patience)
		if n < 2 {
			w.until("the hand goes back", "!"+stands, patience)
		}
	}
	w.shots("10-marks")
	w.press("back")
	w.arrives(`/jobs/1`)
	w.shots("11-job")
	w.reach("Report to print")
	w.arrives(`/jobs/1/report`)
	w.shots("12-draft")
	w.press("enter")
	w.arrives(`/reports/1`)
	w.shots("13-report")
	reportFollows(t, page)
}

// reportFollows holds the issued report against the index that the API gives.
func reportFollows(t *testing.T, page string) {
	t.Helper()
	b := &builder{base: page}
	var issued struct {
		Index fit.Index `json:"index"`
	}
	if err := b.call(t.Context(), "GET", "/api/v1/reports/1", nil, &issued); err != nil {
		t.Fatal(err)
	}
	var now fit.Index
	if err := b.call(t.Context(), "GET", "/api/v1/jobs/1/index", nil, &now); err != nil {
		t.Fatal(err)
	}
	for i, c := range now.Cylinders {
		was := issued.Index.Cylinders[i]
		if c.IndexErrorDeg == nil || was.IndexErrorDeg == nil || *c.IndexErrorDeg != *was.IndexErrorDeg {
			t.Errorf("cylinder %d: %v issued, %v now", c.Number, was.IndexErrorDeg, c.IndexErrorDeg)
		}
	}
	if len(now.Marks) != 1 || now.Marks[0].Presses != 3 || now.ClosureDeg == nil || !now.Simulated {
		t.Errorf("marks %+v, closure %v, simulated %v", now.Marks, now.ClosureDeg, now.Simulated)
	}
}
