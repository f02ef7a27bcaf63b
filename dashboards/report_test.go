package dashboards

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"crownmark/dashboards/report"
	"crownmark/fit"
)

const (
	veeEight = "barn-vee-eight"
	twin     = "shed-twin"
)

const stated = `{"temperature_c":21.5,"rings":"not fitted","encoder_end":"damper end","measured_by":"J. Doe"}`

// shop is a whole job in a real store, served, its report 1 issued.
func shop(t *testing.T, engine string) *api {
	t.Helper()
	a := startAPI(t, nil)
	wholeJob(t, a.store, engine)
	a.want(201, a.call("POST", "/api/v1/jobs/1/reports", stated))
	return a
}

// poppler runs one of poppler's tools over a PDF.
func poppler(t *testing.T, tool, pdf string, args ...string) string {
	t.Helper()
	out, err := exec.Command(tool, append(args, pdf, "-")...).CombinedOutput()
	if tool == "pdfinfo" {
		out, err = exec.Command(tool, append(args, pdf)...).CombinedOutput()
	}
	if err != nil {
		t.Fatalf("%s: %v %s; the tests need poppler-utils", tool, err, out)
	}
	return string(out)
}

// TestReportOnPaper prints an issued report of a V8 from a real browser and
// holds what stands on its pages against the API.
func TestReportOnPaper(t *testing.T) {
	a := shop(t, veeEight)
	var x fit.Index
	var d report.Document
	if err := errors.Join(json.Unmarshal(a.want(200, a.call("GET", "/api/v1/jobs/1/index", "")).body, &x),
		json.Unmarshal(a.want(200, a.call("GET", "/api/v1/reports/1", "")).body, &d)); err != nil {
		t.Fatal(err)
	}
	w := browse(t, a.srv.URL)
	for _, on := range []struct{ paper, language, size, no string }{{"A4", "en", "A4", "Report 1"}, {"letter", "de", "letter", "Bericht 1"}} {
		w.do(chromedp.Navigate(a.srv.URL + "/reports/1?paper=" + on.paper + "&language=" + on.language))
		file := filepath.Join(t.TempDir(), "report.pdf")
		if err := os.WriteFile(file, w.pdf(), 0o644); err != nil {
			t.Fatal(err)
		}
		w.print("report-" + on.paper)
		info := poppler(t, "pdfinfo", file)
		if !regexp.MustCompile(`Page size: .*` + on.size).MatchString(info) {
			t.Errorf("%s: %s", on.paper, info)
		}
		pages := strings.Split(strings.TrimSuffix(poppler(t, "pdftotext", file, "-layout"), "\f"), "\f")
		onEveryPage(t, pages, on.no, d.Ledger.Hash)
		if on.language == "en" {
			figuresOnPaper(t, strings.Join(pages, "\n"), x)
		}
		curvesOnPaper(t, pages, len(x.Cylinders))
	}
	w.faultless()
}

// onEveryPage: the number of the page, the report's, the hash and the warning.
func onEveryPage(t *testing.T, pages []string, no, head string) {
	t.Helper()
	if len(pages) < 3 || len(pages) > 8 {
		t.Errorf("%d pages", len(pages))
	}
	for i, p := range pages {
		for _, want := range []string{fmt.Sprintf(`(?m)\s%d ?/ ?%d$`, i+1, len(pages)), `^` + no + ` · `, "SIMUL", head} {
			if !regexp.MustCompile(want).MatchString(p) {
				t.Errorf("page %d does not say %q:\n%s", i+1, want, p)
			}
		}
	}
}

// figuresOnPaper: each figure of the API stands in its cylinder's row.
func figuresOnPaper(t *testing.T, text string, x fit.Index) {
	t.Helper()
	rows := strings.Split(text, "\n")
	find := func(what string, parts ...string) {
		t.Helper()
		var like []string
		for _, p := range parts {
			like = append(like, regexp.QuoteMeta(p))
		}
		row := regexp.MustCompile(`^\s*` + strings.Join(like, `\s.*?`) + `(\s|$)`)
		for _, r := range rows {
			if row.MatchString(r) {
				return
			}
		}
		t.Errorf("no row of %s has %q", what, parts)
	}
	for _, c := range x.Cylinders {
		n := fmt.Sprint(c.Number)
		if c.Number == x.ReferenceCylinder {
			find("the index", n, topText(c.TDCDeg, c.TDCU95Deg), "reference")
			continue
		}
		find("the index", n, fmt.Sprintf("%.1f°", c.NominalDeg), topText(c.TDCDeg, c.TDCU95Deg), withDoubt(c.IndexErrorDeg, c.IndexU95Deg), withDoubt(c.ThrowErrorDeg, c.ThrowU95Deg), c.Verdict)
		if c.TrimDeg == nil {
			find("the trims", n, "no trim")
			continue
		}
		find("the trims", n, trimText(c.TrimSetDeg)+"°", trimText(c.TrimRetardDeg)+"°", signed(*c.TrimTopDeg, 2)+"°", withDoubt(c.TrimDeg, c.IndexU95Deg), plusOrDash(c.LeftDeg, 3)+"°")
	}
	for _, m := range x.Marks {
		find("the marks", fit.Signed(m.MarkDeg, 1)+"°", withDoubt(m.ErrorDeg, m.U95Deg), orDash(m.RimMM, 1), fmt.Sprint(m.Presses))
	}
	var light []string
	for _, l := range x.TimingLight {
		light = append(light, signed(l.RealDeg, 1)+"°")
	}
	find("the timing light", append([]string{"really"}, light...)...)
	if !strings.Contains(text, withDoubt(x.ClosureDeg, x.ClosureU95Deg)) {
		t.Error("no closure")
	}
}

// curvesOnPaper: every drawing stands on one page, from its head to its foot.
func curvesOnPaper(t *testing.T, pages []string, cylinders int) {
	t.Helper()
	all := 0
	for i, p := range pages {
		heads, feet := len(regexp.MustCompile(`µm`).FindAllString(p, -1)), len(regexp.MustCompile(`own top( |\n|$)|eigenen OT( |\n|$)`).FindAllString(p, -1))
		if heads > 0 && feet < heads {
			t.Errorf("page %d: %d heads of curves and %d feet", i+1, heads, feet)
		}
		all += heads
	}
	if all != cylinders {
		t.Errorf("%d drawings of %d cylinders", all, cylinders)
	}
}

// No line and no point of a drawing lies outside its frame.
func TestCurvesAreWhole(t *testing.T) {
	a := shop(t, veeEight)
	var d report.Document
	if err := json.Unmarshal(a.call("GET", "/api/v1/reports/1", "").body, &d); err != nil {
		t.Fatal(err)
	}
	ax := axesOf(d)
	points := 0
	within := func(what string, x, y float64, s scale) {
		points++
		if !(x >= ax.x.from-2 && x <= ax.x.to+2 && y >= s.to-2 && y <= s.from+2) {
			t.Errorf("%s at %g, %g", what, x, y)
		}
	}
	for _, p := range reportPlots(d, filledText) {
		for _, m := range regexp.MustCompile(`<circle class="pt[^"]*" cx="([0-9.-]+)" cy="([0-9.-]+)"`).FindAllStringSubmatch(string(p.Plot), -1) {
			within("a point", number(t, m[1]), number(t, m[2]), ax.rest)
		}
		for _, m := range regexp.MustCompile(`<path class="out" d="M([0-9.-]+) ([0-9.-]+)l4 4`).FindAllStringSubmatch(string(p.Plot), -1) {
			within("a cross", number(t, m[1])+2, number(t, m[2])+2, ax.rest)
		}
		for _, path := range regexp.MustCompile(`<path class="curve[^"]*" d="([^"]+)"`).FindAllStringSubmatch(string(p.Plot), -1) {
			for _, m := range regexp.MustCompile(`[ML]([0-9.-]+) ([0-9.-]+)`).FindAllStringSubmatch(path[1], -1) {
				within("a curve", number(t, m[1]), number(t, m[2]), ax.y)
			}
		}
	}
	if points < 2000 {
		t.Errorf("only %d points", points)
	}
	for _, c := range d.Curves {
		if len(c.XDeg)-len(c.LeftOut) < 60 {
			t.Errorf("sweep %d: %d readings drawn", c.Sweep, len(c.XDeg)-len(c.LeftOut))
		}
	}
}

func filledText(text string, args ...any) string { return filled(text, args) }

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestMailedReport: the file needs nothing else, runs nothing, and its policy
// allows exactly the style that is in it. Names come from people.
func TestMailedReport(t *testing.T) {
	a := shop(t, twin)
	const hostile = `</style><script>alert(1)</script><img src=x onerror=alert(1)>`
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", toJSONText(t, map[string]string{"name": hostile})))
	a.want(201, a.call("POST", "/api/v1/jobs/1/reports", toJSONText(t, map[string]string{"measured_by": hostile})))
	for _, row := range []struct {
		path, says string
		file       bool
	}{
		{"/reports/1/file.html", "Crank index report", true}, {"/reports/1/file.html?language=de&paper=letter", "Kurbelwellen", true},
		{"/reports/2/file.html", "SIMULATED", true}, {"/reports/2?length=in", "File to keep or mail", false}, {"/jobs/1/report", "Draft, not issued", false},
	} {
		r := a.want(200, a.call("GET", row.path, ""))
		page := string(r.body)
		style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindStringSubmatch(page)
		sum := sha256.Sum256([]byte(style[1]))
		if want := "style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"; !strings.Contains(r.head.Get("Content-Security-Policy"), want) {
			t.Errorf("%s: its policy %q is not %q", row.path, r.head.Get("Content-Security-Policy"), want)
		}
		if !strings.Contains(page, row.says) || strings.Contains(page, "ZgotmplZ") || strings.Contains(page, "%!") {
			t.Errorf("%s does not say %q", row.path, row.says)
		}
		quoted := regexp.MustCompile(`="[^"]*[ <][^"]*"`) // people's words, escaped within quotes
		rest := strings.Replace(page, style[0], "", 1)
		if bad := regexp.MustCompile(`<style|<[^>]*\s(style|on[a-z]+)=|<img|<script>|(src|href)="(http|//)|url\(|@import`).FindString(quoted.ReplaceAllString(rest, `=""`) + style[1]); bad != "" {
			t.Errorf("%s has %q", row.path, bad)
		}
		if outside := regexp.MustCompile(`<script|<link|<[^>]*\s(href|src)=`).FindString(rest); row.file && outside != "" {
			t.Errorf("%s is not whole in itself: %q", row.path, outside)
		}
		if row.file != strings.HasPrefix(r.head.Get("Content-Disposition"), "attachment; filename=\"crank-index-report-") {
			t.Errorf("%s: %q", row.path, r.head.Get("Content-Disposition"))
		}
	}
	for path, want := range map[string]int{"/reports/1?paper=vellum": 422, "/reports/7": 404, "/jobs/7/report": 404} {
		r, err := a.srv.Client().Get(a.srv.URL + path)
		if err != nil || r.StatusCode != want {
			t.Errorf("%s: %v, %v", path, r, err)
		}
		_ = r.Body.Close()
	}
}

func toJSONText(t *testing.T, v any) string {
	t.Helper()
	s, err := toJSON(v)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestIssuedFromThePage: the draft's form issues by keys alone, with what its
// buttons say, and leads to the issued report.
func TestIssuedFromThePage(t *testing.T) {
	a := startAPI(t, nil)
	wholeJob(t, a.store, twin)
	w := browse(t, a.srv.URL)
	w.size(1280, 900)
	w.do(chromedp.Navigate(a.srv.URL + "/jobs/1/report"))
	w.until("the form is there", `!!document.querySelector("#issue button.main")`)
	w.do(chromedp.KeyEvent(kb.Enter)) // the main button first: it is where nothing is chosen
	w.do(chromedp.WaitVisible(chromedp.CSS(`a[href="/api/v1/reports/1"]`)))
	w.until("the report comes", `location.pathname === "/reports/1" && document.querySelector(".number").textContent.trim().endsWith("1")`)
	w.do(chromedp.KeyEvent(kb.Backspace))
	w.do(chromedp.WaitVisible(chromedp.CSS("#job")))
	w.until("back on the job's page", `location.pathname === "/jobs/1"`)
	w.do(chromedp.Navigate(a.srv.URL + "/jobs/1/report"))
	w.until("the first is listed", `document.querySelectorAll(".issued a").length === 1`)
	for _, at := range []struct{ width, height int64 }{{1280, 900}, {800, 1180}, {390, 844}, {320, 700}} {
		w.size(at.width, at.height)
		w.fits(fmt.Sprintf("the draft at %d px", at.width))
		w.shot(fmt.Sprintf("draft-%d", at.width))
	}
	var first, d report.Document
	if err := json.Unmarshal(a.want(200, a.call("GET", "/api/v1/reports/1", "")).body, &first); err != nil || first.Stated != (report.Stated{}) {
		t.Errorf("nobody said so: %+v, %v", first.Stated, err)
	}
	w.do(chromedp.Click(chromedp.CSS(`button[data-name="encoder_end"][data-value="damper end"]`)), chromedp.Click(chromedp.CSS(`button[data-name="rings"][data-value="fitted"]`)), chromedp.Click(chromedp.CSS(`button[data-name="temperature"][data-value="25"]`)),
		chromedp.SetValue(chromedp.CSS(`[name="measured_by_typed"]`), "J. Doe"), chromedp.Click(chromedp.CSS("#issue button.main")))
	w.do(chromedp.WaitVisible(chromedp.CSS(`a[href="/api/v1/reports/2"]`)))
	if err := json.Unmarshal(a.want(200, a.call("GET", "/api/v1/reports/2", "")).body, &d); err != nil {
		t.Fatal(err)
	}
	if s := d.Stated; s.Rings != "fitted" || s.EncoderEnd != "damper end" || s.MeasuredBy != "J. Doe" || s.TemperatureC == nil || *s.TemperatureC != 25 {
		t.Errorf("%+v", s)
	}
	w.faultless()
}
