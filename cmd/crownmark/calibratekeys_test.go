package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"crownmark/dashboards/certificate"
	"crownmark/fit"
)

// TestCalibrationByKeys does a guided calibration from the register to the
// printed certificate with keys only, while a virtual hand sets the head, passes
// a point now and then and is sent back. What is printed is what the API says.
func TestCalibrationByKeys(t *testing.T) {
	base := takePart(t)
	b := &builder{base: base}
	for _, record := range []map[string]any{
		{"kind": "head", "name": "Head 25", "certificate_number": "C-2291", "u95_mm": 0.001, "u95_per_m_mm": 0.02, "due_at": "2041-03-01T00:00:00Z"},
		{"kind": "indicator", "name": "Left dial", "serial_number": "4711", "bench_name": "left", "range_mm": 8, "resolution_mm": 0.001, "limits_mm": map[string]float64{"total": 0.02, "hysteresis": 0.001}},
	} {
		if err := b.call(t.Context(), "POST", "/api/v1/instruments", map[string]any{"record": record}, nil); err != nil {
			t.Fatal(err)
		}
	}
	w := openTab(t, 1280, 800)
	w.do(chromedp.Navigate(base + "/register"))
	w.reach("Left dial")
	w.arrives("/register/2")
	w.shots("cal-01-instrument")
	w.press("enter")
	w.arrives("/calibrations/new")
	w.reach("an hour or more")
	w.reach("20 °C")
	w.reach("points of one’s own")
	w.press("right")
	w.do(chromedp.KeyEvent("0 1 2.7 6.2 8"))
	w.shots("cal-02-begin")
	w.reach("Begin")
	w.arrives("/calibrations/1")
	w.guided()
	w.press("enter") // end it
	w.until("what was found", `!!document.getElementById("issue") && document.readyState === "complete"`, patience)
	w.shots("cal-06-found")
	w.press("enter")
	w.arrives("/certificates/1")
	w.shots("cal-07-certificate")
	w.printedAs(b)
	w.press("back")
	w.arrives("/register/2")
	w.checked(b)
}

// checked makes a check with keys: one reading at one place, on the chart then.
func (w tab) checked(b *builder) {
	w.t.Helper()
	w.do(chromedp.Focus(chromedp.CSS(`#check [name="block"]`)))
	w.do(chromedp.KeyEvent("5"))
	w.press("enter")
	w.arrives("/calibrations/2")
	w.until("the display stands at the place", `/press Enter/.test(document.getElementById("still").textContent)`, patience)
	w.press("enter")
	w.until("it is taken", `document.getElementById("end").matches(".main:enabled")`, patience)
	w.press("enter")
	w.until("what was found", `document.readyState === "complete" && /Off the block by \+/.test(document.body.textContent)`, patience)
	w.press("enter")
	w.arrives("/register/2")
	w.until("it is on the chart", `document.querySelectorAll(".checks .v").length === 1`, patience)
	w.shots("cal-08-checked")
	var checks struct {
		Items []struct {
			ReferenceMM float64 `json:"reference_mm"`
			DeviationMM float64 `json:"deviation_mm"`
		} `json:"items"`
	}
	if err := b.call(w.t.Context(), "GET", "/api/v1/instruments/2/checks", nil, &checks); err != nil || len(checks.Items) != 1 || checks.Items[0].ReferenceMM != 5 {
		w.t.Fatalf("%v: %+v", err, checks)
	}
	w.until("and so says the page", fmt.Sprintf(`document.body.textContent.includes(%q)`, "Last: "+fit.Signed(checks.Items[0].DeviationMM*1e3, 1)+" µm"), patience)
}

// guided goes along while the virtual hand sets the head: the first point is
// pressed, one is taken back, all others are taken by themselves.
func (w tab) guided() {
	w.t.Helper()
	const shown = `document.getElementById("%s").textContent`
	has := func(id, words string) string { return fmt.Sprintf(shown+`.includes(%q)`, id, words) }
	w.until("the page leads", has("place", "0.000"), patience)
	w.do(chromedp.Evaluate[chromedp.Void](`(() => {
		const seen = window.seen = [], node = document.getElementById("refusal");
		new MutationObserver(() => { if (node.textContent) seen.push(node.textContent); }).observe(node, { childList: true, characterData: true, subtree: true });
	})()`))
	w.until("the first point is to be pressed: the display was not zeroed", has("still", "or press Enter"), patience)
	w.shots("cal-03-press")
	w.press("enter")
	w.until("three are taken", has("count", "3 of 15"), patience)
	w.press("back")
	w.until("the third is taken back", has("said", "Taken back"), patience)
	w.until("it is taken anew", has("count", "3 of 15"), patience)
	w.until("a point is being taken", has("still", "Keep still"), patience)
	w.shots("cal-04-hold")
	w.until("a refusal with its reason", `seen.some(s => /^Not taken: .{20,}\. .{20,}\.$/.test(s))`, patience)
	w.until("all are taken", `document.getElementById("end").matches(".main:enabled") && `+has("count", "15 of 15"), patience)
	w.shots("cal-05-all")
}

// printedAs prints the certificate and holds it against the API's.
func (w tab) printedAs(b *builder) {
	w.t.Helper()
	var d certificate.Document
	if err := b.call(w.t.Context(), "GET", "/api/v1/certificates/1", nil, &d); err != nil {
		w.t.Fatal(err)
	}
	r := d.Result
	if d.Verdict["total"] == "" || d.Verdict["hysteresis"] == "" || r == nil || len(d.Points) != 16 || len(r.Correction) < 5 || !d.Simulated || r.ErrorTotalMM == nil || r.HysteresisMM == nil || r.RepeatabilityMM == nil {
		w.t.Fatalf("certificate: %d points, result %+v", len(d.Points), r)
	}
	paper := w.paper("cal-certificate")
	um := func(mm *float64) string { return strings.Replace(fmt.Sprintf("%.1f", *mm*1e3), "-", "−", 1) }
	want := []string{"No. 1", "SIMULATED", "Left dial", "Head 25", "C-2291", "20.0 ± 1.0 °C", d.Ledger.Hash[:40],
		"Total error " + um(r.ErrorTotalMM) + " " + um(r.ErrorTotalU95MM) + " 20.0 " + strings.ReplaceAll(d.Verdict["total"], "_", " ") + ":",
		"Hysteresis " + um(r.HysteresisMM) + " " + um(r.HysteresisU95MM) + " 1.0 " + strings.ReplaceAll(d.Verdict["hysteresis"], "_", " ") + ":",
		"Repeatability " + um(r.RepeatabilityMM) + " " + um(r.RepeatabilityU95MM)}
	for _, k := range r.Correction {
		want = append(want, fmt.Sprintf("%.4f %s %s", k.ReadingMM, fit.Signed(k.CorrectionMM*1e3, 1), um(&k.U95MM)))
	}
	for _, p := range d.Points {
		want = append(want, fmt.Sprintf("%.4f %.3f %s %s", p.ReferenceMM, p.ReadingMM, fit.Signed(p.ErrorMM*1e3, 1), p.Raw))
	}
	for _, text := range want {
		if !strings.Contains(paper, text) {
			w.t.Errorf("the printed certificate does not say %q", text)
		}
	}
	if w.t.Failed() {
		w.t.Log(paper)
	}
}

// paper is what the page says when it is printed, each run of blanks as one.
func (w tab) paper(name string) string {
	w.t.Helper()
	pdf, err := chromedp.Run(w, func(ctx context.Context, t *chromedp.Target) ([]byte, error) {
		r, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: new(true)})
		return r.Data, err
	})
	if err != nil {
		w.t.Fatal(err)
	}
	if dir := os.Getenv("CROWNMARK_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".pdf"), pdf, 0o644); err != nil {
			w.t.Fatal(err)
		}
	}
	cmd := exec.Command("pdftotext", "-layout", "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	text, err := cmd.Output()
	if err != nil {
		w.t.Fatalf("pdftotext (Debian's poppler-utils): %v", err)
	}
	return strings.Join(strings.Fields(string(text)), " ")
}
