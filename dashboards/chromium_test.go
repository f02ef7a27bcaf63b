package dashboards

import (
	"context"
	"fmt"
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

// chromium is the one browser of all tests here.
var chromium = sync.OnceValues(func() (context.Context, error) {
	path, err := exec.LookPath("chromium")
	if err != nil {
		return nil, fmt.Errorf("the pages are tested in a real browser, install chromium: %w", err)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-gpu", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("no-first-run", true))
	alloc, closeAll := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, _ := chromedp.NewContext(alloc) //nolint:govet // closeAll ends it
	closeChromium = func() { _ = chromedp.Cancel(ctx); closeAll() }
	return ctx, chromedp.Do(ctx)
})

var closeChromium = func() {}

func TestMain(m *testing.M) {
	code := m.Run()
	closeChromium()
	os.Exit(code)
}

// browse opens a tab in a profile of its own: no cookie, no permission and no
// download of another test is in it.
func browse(t testing.TB, base string) *watched {
	t.Helper()
	browser, err := chromium()
	if err != nil {
		t.Fatal(err)
	}
	ctx, closeTab := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	t.Cleanup(closeTab)
	w := &watched{Context: ctx, t: t, base: base}
	w.do(call(network.Enable, network.EnableParams{}), call(log.Enable, cdp.Empty{}), call(runtime.Enable, cdp.Empty{}))
	if err := chromedp.Listen(ctx, w.hears); err != nil {
		t.Fatal(err)
	}
	return w
}

// hears keeps what a page should not have done.
func (w *watched) hears(e any) {
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
}

// profile is what the browser's own settings are made for.
func (w *watched) profile() cdp.BrowserContextID { return chromedp.FromContext(w).BrowserContextID }

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

// forgive takes faults off the list that a step made on purpose.
func (w *watched) forgive(status string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.faults = slices.DeleteFunc(w.faults, func(f string) bool { return strings.Contains(f, status) })
}

func (w *watched) faultless() {
	w.t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, f := range w.faults {
		w.t.Error(f)
	}
}
