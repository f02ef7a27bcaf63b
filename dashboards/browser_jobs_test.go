package dashboards

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// to moves by → until the focus is where the condition holds.
func (w *watched) to(what, condition string) {
	w.t.Helper()
	for range 40 {
		there, err := chromedp.Run(w, chromedp.Evaluate[bool](`!!document.activeElement && (`+condition+`)`))
		if err != nil {
			w.t.Fatal(err)
		}
		if there {
			return
		}
		w.do(chromedp.KeyEvent(kb.ArrowRight))
	}
	w.t.Fatalf("forty → do not reach %s", what)
}

// arrives waits for another page; the one before takes a poll with it.
func (w *watched) arrives(what, condition string) {
	w.t.Helper()
	for range 5 {
		_, err := chromedp.Run(w, chromedp.Poll[bool]("document.readyState === 'complete' && "+condition, chromedp.WithPollingTimeout(10*time.Second)))
		if err == nil {
			return
		}
		if !strings.Contains(err.Error(), "navigated or closed") && !strings.Contains(err.Error(), "Cannot find context") {
			now, _ := chromedp.Run(w, chromedp.Evaluate[string]("location.href + document.body.innerText"))
			w.t.Fatalf("%s: %v; the page says:\n%s", what, err, now)
		}
	}
	w.t.Fatalf("%s: no page stands still", what)
}

// TestLibraryAndJobsInABrowser: an engine file is read, once wrong and once
// right, the engine is edited while its crank star follows, and a job is made
// of it with four keys only.
func TestLibraryAndJobsInABrowser(t *testing.T) {
	a := startAPI(t, nil)
	w := browse(t, a.srv.URL)
	w.size(1280, 900)
	w.do(chromedp.Navigate(a.srv.URL + "/engines"))
	w.until("an empty library says what to do", `document.querySelector(".empty").textContent.includes("Add an engine")`)
	w.shot("engines-empty")
	importFiles(w)
	editEngine(w)
	oddEngine(w, a.srv.URL)
	jobByFourKeys(w, a.srv.URL)
	jobEdited(w)
	narrowed(w, a.srv.URL)
	w.faultless()
}

func importFiles(w *watched) {
	w.t.Helper()
	dir := w.t.TempDir()
	bad, good := filepath.Join(dir, "bad.toml"), filepath.Join(dir, "vee.toml")
	for path, text := range map[string]string{bad: "name = \"Shed twin\"\nstroke = 86\n", good: practiceFile} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			w.t.Fatal(err)
		}
	}
	w.choose(bad)
	w.do(chromedp.Click(chromedp.CSS("#import-form button")))
	w.until("the file's fault is told with its line", `document.getElementById("said").textContent.includes("line 2: unknown key")`)
	w.shot("engines-bad-file")
	w.choose(good)
	w.do(chromedp.Click(chromedp.CSS("#import-form button")))
	w.arrives("the engine's page comes", `location.pathname === "/engines/1" && document.querySelector("h1").textContent === "Bench vee"`)
	w.forgive("422")
}

func (w *watched) choose(path string) {
	w.do(chromedp.SetUploadFiles(chromedp.CSS("input[type=file]"), []string{path}))
}

// editEngine: the star follows what is typed, a fault comes back to its field,
// and what is kept is told.
func editEngine(w *watched) {
	w.t.Helper()
	put := func(selector, value string) {
		w.until("typing into "+selector, `(i => { i.value = "`+value+`"; i.dispatchEvent(new Event("input", { bubbles: true })); return true; })(document.querySelector('`+selector+`'))`)
	}
	put(`#rows tr:nth-child(2) [data-row="tdc_deg"]`, "450")
	w.until("the second piston fires in the second turn now", `document.querySelectorAll("#star circle.second").length === 1`)
	put(`[name="rod_mm"]`, "20")
	w.until("the star says why it cannot be drawn", `document.getElementById("star-said").textContent.includes("cannot turn")`)
	w.do(chromedp.Click(chromedp.CSS("#engine button[type=submit]")))
	w.until("the fault stands at its field", `!!document.querySelector('[name="rod_mm"] + .fault')`)
	w.shot("engine-wrong")
	put(`[name="rod_mm"]`, "150")
	w.do(chromedp.Click(chromedp.CSS("#engine button[type=submit]")))
	w.until("it is kept", `document.getElementById("said").textContent === "Kept."`)
	w.do(chromedp.Reload())
	w.arrives("the rod is the new one", `document.readyState === "complete" && document.querySelector('[name="rod_mm"]').defaultValue === "150"`)
	w.forgive("422")
}

// oddEngine is added by the form, cylinder by cylinder, in inches.
func oddEngine(w *watched, base string) {
	w.t.Helper()
	w.do(chromedp.Navigate(base + "/engines/new"))
	w.until("inches are chosen", `fetch("/display", { method: "POST", headers: { "Content-Type": "application/x-www-form-urlencoded" }, body: "length=in" }).then(() => true)`)
	w.do(chromedp.Navigate(base + "/engines/new"))
	w.do(chromedp.SetValue(chromedp.CSS(`[name="name"]`), "Barn odd two"), chromedp.SetValue(chromedp.CSS(`[name="stroke_mm"]`), "3.5"),
		chromedp.Click(chromedp.CSS(`[data-firing="odd"]`)))
	for range 2 {
		w.do(chromedp.Click(chromedp.CSS("#rows tr:last-child [data-remove]")))
	}
	w.do(chromedp.SetValue(chromedp.CSS(`#rows tr:nth-child(2) [data-row="number"]`), "2"), chromedp.SetValue(chromedp.CSS(`#rows tr:nth-child(2) [data-row="tdc_deg"]`), "405"))
	w.do(chromedp.Click(chromedp.CSS("#engine button[type=submit]")))
	w.arrives("its page comes", `location.pathname === "/engines/2"`)
	w.until("in millimetres it is 88.9", `fetch("/api/v1/engines/2").then(r => r.json()).then(d => d.engine.stroke_mm === 88.9 && d.engine.cylinder[1].tdc_deg === 405)`)
	w.until("millimetres again", `fetch("/display", { method: "POST", headers: { "Content-Type": "application/x-www-form-urlencoded" }, body: "length=mm" }).then(() => true)`)
}

// jobByFourKeys goes from the list of jobs to a new one without a letter.
func jobByFourKeys(w *watched, base string) {
	w.t.Helper()
	w.do(chromedp.Navigate(base + "/jobs"))
	w.do(chromedp.KeyEvent(kb.Enter)) // New job is the page's main button
	w.arrives("the engines come", `location.pathname === "/jobs/new" && document.querySelectorAll("a.card").length === 2`)
	w.shot("newjob-engine")
	w.to("Bench vee", `document.activeElement.matches("a.card") && document.activeElement.textContent.includes("Bench vee")`)
	w.do(chromedp.KeyEvent(kb.Enter))
	w.arrives("the stages come", `location.search === "?engine=1" && !!document.querySelector("#new-job")`)
	w.shot("newjob-stage")
	w.do(chromedp.KeyEvent(kb.Backspace))
	w.arrives("Backspace goes back to the engines", `location.pathname === "/jobs/new" && location.search === ""`)
	w.to("Bench vee again", `document.activeElement.matches("a.card") && document.activeElement.textContent.includes("Bench vee")`)
	w.do(chromedp.KeyEvent(kb.Enter))
	w.arrives("the stages come again", `!!document.querySelector("#new-job")`)
	w.to("assembled", `document.activeElement.value === "assembled"`)
	w.do(chromedp.KeyEvent(kb.Enter))
	w.arrives("the job's page comes", `location.pathname === "/jobs/1" && document.querySelector("h1").textContent === "Bench vee, assembled"`)
	w.shot("job-fresh")
	w.to("I have read this", `document.activeElement.textContent === "I have read this"`)
	w.do(chromedp.KeyEvent(kb.Enter))
	w.until("it is kept that they were read", `document.getElementById("cautions").textContent.includes("Cautions read ")`)
}

// jobEdited: reference, tags and notes; the order by a button; a job after it.
func jobEdited(w *watched) {
	w.t.Helper()
	w.do(chromedp.SetValue(chromedp.CSS(`#about-job [name="customer_reference"]`), "Order 118"), chromedp.SetValue(chromedp.CSS(`#about-job [name="tags"]`), "race, steel crank"),
		chromedp.SetValue(chromedp.CSS(`#about-job [name="notes"]`), "No. 2 was reground."), chromedp.Click(chromedp.CSS("#about-job button[type=submit]")))
	w.until("they stand on the plate", `document.querySelector(".plate").textContent.includes("Order 118") && document.querySelectorAll(".plate .tags a").length === 2 && document.querySelector(".plate .notes").textContent === "No. 2 was reground."`)
	w.do(chromedp.Click(chromedp.CSS(".order button")))
	w.until("the order is the other way", `[...document.querySelectorAll(".order .cyl")].map(n => n.textContent).join() === "2,1"`)
	w.do(chromedp.Click(chromedp.CSS(`.plate a[href="/jobs/new?follows=1"]`)))
	w.arrives("the next stage is offered first", `document.querySelector("#new-job .main").value === "in_car"`)
	w.do(chromedp.Click(chromedp.CSS(`#new-job [value="after_grinding"]`)))
	w.arrives("the job after it comes", `location.pathname === "/jobs/2" && document.querySelector("h1").textContent === "Bench vee, after grinding" && document.querySelector(".plate").textContent.includes("Order 118")`)
}

// narrowed: the list of jobs shows one stage alone.
func narrowed(w *watched, base string) {
	w.t.Helper()
	w.do(chromedp.Navigate(base + "/jobs"))
	w.do(chromedp.Click(chromedp.CSS(`.filters a[href="/jobs?stage=assembled"]`)))
	w.arrives("the list is narrowed", `location.search === "?stage=assembled" && document.querySelectorAll("tbody tr").length === 1`)
}
