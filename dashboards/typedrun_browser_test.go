package dashboards

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// TestTypedCalibrationInABrowser: a dial that does not speak is calibrated with
// digits and Enter; what cannot be read, or be so, is told and not taken.
func TestTypedCalibrationInABrowser(t *testing.T) {
	a := standAPI(t)
	a.want(201, a.call("POST", "/api/v1/calibrations", `{"instrument":3,"reference":1,"points_mm":[0,5],"repeats":1}`))
	w := browse(t, a.srv.URL)
	w.size(1280, 900)
	w.do(chromedp.Navigate(a.srv.URL + "/calibrations/1"))
	w.arrives("the first place", `document.getElementById("place").textContent === "0.000" && document.activeElement.name === "reading"`)
	typed := func(text, what, condition string) {
		t.Helper()
		w.do(chromedp.KeyEvent(text), chromedp.KeyEvent(kb.Enter))
		w.until(what, condition)
	}
	count := func(n int) string {
		return fmt.Sprintf(`document.getElementById("count").textContent === "%d of 5 points" && document.activeElement.name === "reading" && document.activeElement.value === ""`, n)
	}
	typed("0.00", "the first is taken", count(1))
	typed("nought", "it is no number", `/Write a plain number/.test(document.getElementById("said").textContent)`)
	w.do(chromedp.EvaluateAsDevTools[chromedp.Void](`document.activeElement.value = ""`))
	typed("9.00", "it is not the place", `/The point is not taken/.test(document.getElementById("said").textContent)`)
	w.do(chromedp.EvaluateAsDevTools[chromedp.Void](`document.activeElement.value = ""`))
	typed("5,01", "the second is taken", count(2))
	w.until("and drawn", `document.querySelectorAll("#sofar .calgraph .pt").length === 2`)
	typed("5.02", "the way back", count(3))
	w.shot("calibration-typed")
	typed("0.01", "and at zero", count(4))
	typed("0.00", "all are taken", `document.getElementById("end").matches(".main:enabled")`)
	w.do(chromedp.KeyEvent(kb.Enter))
	w.arrives("what was found", `!!document.getElementById("issue")`)
	w.do(chromedp.KeyEvent(kb.Enter))
	w.arrives("the certificate", `location.pathname === "/certificates/1"`)
	w.forgive("409")
	w.faultless()
}
