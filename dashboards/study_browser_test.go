package dashboards

import (
	"net/http/httptest"
	"testing"

	"github.com/chromedp/chromedp"

	"crownmark/acquire/virtual"
)

// A full study, three people in two mountings each, held against the same rules
// as every page; a job is taken out by a key, and people are named by hand.
func TestStudyPageForEverybody(t *testing.T) {
	plan := virtual.DefaultPlan()
	plan.Repeats, plan.Remounts, plan.Closing = 2, []float64{90}, false
	srv := httptest.NewServer(studied(t, 3, plan).Handler())
	t.Cleanup(srv.Close)
	h := &held{watched: browse(t, srv.URL), rules: axeRules(t), told: map[string]bool{}, path: "/study?jobs=1,2,3"}
	url := srv.URL + h.path
	h.open(url)
	h.pictures(url)
	h.looksRight()
	h.besides(url)
	h.size(1280, 900)
	h.open(url)
	h.do(chromedp.SetValue(`input[name="people"]`, "C"), chromedp.Click(`.who button`))
	h.arrives("the first is C as well as the third", `document.querySelectorAll(".plot.study .soft").length > 0 && new URLSearchParams(location.search).getAll("people").join() === "C,B,C"`)
	h.do(chromedp.Focus("#job-2"))
	h.key("\r")
	h.arrives("job 2 is out, and who measured stays with the others", `location.search === "?jobs=1,3&people=C%2CC"`)
	h.faultless()
}
