package dashboards

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/store"
)

// pressed is a shelf on which presses count, each off by deg from the last angle read.
type pressedShelf struct {
	*shelf
	angle func() float64
}

func (k *pressedShelf) MarkOf(_ context.Context, m acquire.MarkPress) (store.Mark, error) {
	id := int64(len(k.input.Marks) + 1)
	k.input.Marks = append(k.input.Marks, fit.Mark{ID: id, MarkDeg: m.MarkDeg, AngleDeg: k.angle(), Mount: 1, Approach: m.Approach})
	k.rev += "+"
	return store.Mark{ID: id, Job: m.Job, MarkDeg: m.MarkDeg, Approach: m.Approach}, nil
}

func (k *pressedShelf) SetMarkAside(_ context.Context, id int64, reason, _ string) (store.Mark, error) {
	for i, m := range k.input.Marks {
		if m.ID == id {
			k.input.Marks = append(k.input.Marks[:i:i], k.input.Marks[i+1:]...)
			k.rev += "-"
			return store.Mark{ID: id, Job: 1, MarkDeg: m.MarkDeg, SetAside: true, Reason: reason}, nil
		}
	}
	return store.Mark{}, store.ErrNotFound
}

// keys presses the four keys' names one after the other.
func (w *watched) keys(names ...string) {
	w.t.Helper()
	for _, n := range names {
		w.do(chromedp.KeyEvent(map[string]string{"left": "\u0302", "right": "\u0303", "enter": "\r", "back": "\b"}[n]))
	}
}

// TestMarksPageInABrowser: with four keys a mark is chosen, pressed three times
// and one press taken back; approach and nearest mark are told as the crank turns.
func TestMarksPageInABrowser(t *testing.T) {
	st := staged(t)
	st.shelf.input.Marks = nil
	k := &pressedShelf{shelf: st.shelf}
	k.angle = func() float64 { return *st.bench.Snapshot().Encoder.Value }
	st.server.store, st.server.solver.store = k, k
	top := *solved(t, st.shelf.input).Cylinders[0].TDCDeg
	w := browse(t, st.url)
	w.size(1280, 900)
	w.do(chromedp.Navigate(st.url + "/marks"))
	w.until("the bench is asked how it stands", `document.getElementById("angle").textContent.endsWith("°")`)
	st.read(top-8.3, -0.4)
	w.until("the angle counts from the true top", `document.getElementById("angle").textContent === "351.70°"`)
	w.until("the ring turns along", `document.getElementById("turn").getAttribute("transform") === "rotate(351.70)"`)
	w.until("mark 0 comes", `document.getElementById("nearest").textContent === "mark 0° comes in 8.3°"`)
	st.bench.set(func(n *acquire.Snapshot) { n.LastMove = -1 })
	st.read(top-8.2, -0.4)
	w.until("turning back is told", `document.getElementById("approach").dataset.state === "back" && document.getElementById("approach").textContent.startsWith("Turned back last")`)
	st.bench.set(func(n *acquire.Snapshot) { n.LastMove = 1 })
	st.read(top-5.8, -0.4)
	w.until("coming up is told", `document.getElementById("approach").dataset.state === "up"`)

	// − 5 by the keys: on to the first button of the steps, to −5, press it.
	w.until("the field is where the keys begin", `(document.getElementById("mark-deg").focus(), true)`)
	w.keys("right", "right", "enter")
	w.until("−5 is chosen", `document.getElementById("mark-deg").value === "-5" && document.getElementById("nearest").textContent === "mark −5° comes in 0.8°"`)
	w.until("the keys begin anew", `(document.activeElement.blur(), true)`)
	for i, off := range []float64{0.8, 0.7, 0.9} {
		st.read(top-5-off, -0.4)
		w.keys("enter") // the main button
		w.until(fmt.Sprintf("press %d counts", i+1), fmt.Sprintf(`document.querySelectorAll(".each li").length === %d`, i+1))
		w.until("the keys begin anew", `(document.activeElement.blur(), true)`)
	}
	st.marksAgree(w, 3)
	w.until("take the last one back", `!![...document.querySelectorAll("button")].find(b => b.textContent.startsWith("Take the last press back: mark −5°") && (b.click(), true))`)
	w.until("two count", `document.querySelectorAll(".each li").length === 2 && document.querySelectorAll('.each [data-press="3"]').length === 0`)
	st.marksAgree(w, 2)
	if n := len(st.bench.marks); n != 3 || st.bench.marks[2].MarkDeg != -5 {
		t.Errorf("pressed: %+v", st.bench.marks)
	}
	st.moreMarks(w, k, top)
	w.do(chromedp.Reload())
	everywhere(w, "marks")
	w.german(st.url + "/marks")
	english, err := chromedp.Run(w, chromedp.Evaluate[string](`(document.querySelector("main").innerText.replace("Practice four, first build", "").match(/(.{0,40})( the | and | from | stands |presses|comes)(.{0,40})/i) || [""])[0]`))
	if err != nil || english != "" {
		t.Errorf("left in English: %q, %v", english, err)
	}
	w.shot("marks-german")
	w.keys("back")
	w.do(chromedp.WaitVisible(chromedp.CSS("#job"))) // Backspace goes back
	w.faultless()
}

// marksAgree holds the table against the API's document.
func (st stage) marksAgree(w *watched, presses int) {
	w.t.Helper()
	m := indexOf(w.t, st.url).Marks[0]
	if m.Presses != presses || len(m.Each) != presses || m.SpreadDeg == nil || math.Abs(*m.ErrorDeg-0.8) > 0.2 {
		w.t.Fatalf("%+v", m)
	}
	w.until("the error is the API's", `document.querySelector('.marks-table b').textContent === "`+withDoubt(m.ErrorDeg, m.U95Deg)+`"`)
	w.until("the spread is the API's", `document.querySelector('.marks-table [data-label="Spread"]').textContent === "`+fmt.Sprintf("%.2f°", *m.SpreadDeg)+`"`)
	factor := ringFactor(indexOf(w.t, st.url).Marks)
	w.until("the mark is drawn where it stands", fmt.Sprintf(`(() => {
		const of = c => { const l = document.querySelector('.ring .mark[data-mark="-5"] .' + c); return Math.atan2(+l.getAttribute("x2"), -l.getAttribute("y2")) * 180 / Math.PI; };
		return Math.abs(of("stands") - of("belongs") - %g) < 0.05 && document.querySelector("figcaption").textContent.includes("×%s."); })()`, factor**m.ErrorDeg, times(factor)))
}

// moreMarks presses two more marks, for the pictures.
func (st stage) moreMarks(w *watched, k *pressedShelf, top float64) {
	for _, m := range []float64{0, 90} {
		for _, off := range []float64{0.82, 0.75, 0.88} {
			k.input.Marks = append(k.input.Marks, fit.Mark{ID: int64(len(k.input.Marks) + 5), MarkDeg: m, AngleDeg: top + m - off, Mount: 1, Approach: 1})
		}
	}
	k.rev += "more"
	st.read(top-3.1, -0.4)
}

// Without a job there is nothing to press, and the page says where to go.
func TestMarksPageWithoutAJob(t *testing.T) {
	page := pageOver(t, oneJob(t, "x", fit.Input{Engine: practice(t), Priors: fit.DefaultPriors()}), benchAt(0, nil), "/marks")
	if !strings.Contains(page, "Choose the job on the bench first") || strings.Contains(page, "It stands there now") {
		t.Error(page)
	}
}

func TestApproachIsTold(t *testing.T) {
	for _, row := range []struct {
		move, sign int
		confirmed  bool
		want       string
	}{{1, 1, true, "up"}, {-1, -1, true, "up"}, {-1, 1, true, "back"}, {1, -1, true, "back"}, {0, 1, true, "unknown"}, {1, 1, false, "unknown"}} {
		if got := approachOf(row.move, row.sign, row.confirmed); got != row.want {
			t.Errorf("%+v: %s", row, got)
		}
	}
}
