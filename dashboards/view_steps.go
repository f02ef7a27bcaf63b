package dashboards

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// step is what to do now: where in the work it is, the sentence, why or how,
// and what the page's buttons do about it. The first button is the one that
// Enter presses.
type step struct {
	Phase, Do, How string
	Acts           []act
}

// Long tells a sentence that would fill the screen in the largest letters.
func (s step) Long() bool { return len(s.Do) > 75 }

// act is a button that calls the API, or a link where Path is empty.
type act struct {
	Text         string
	Method, Path string
	Body         string
	Href         string
}

// The phases of a job, each with its own shape on the page.
const (
	phaseReady     = "ready"
	phaseDirection = "direction"
	phasePlace     = "place"
	phaseSweep     = "sweep"
	phaseMarks     = "marks"
	phaseReport    = "report"
)

// nextStep says what to do now, in the builder's words.
func nextStep(v benchView, n acquire.Snapshot, index fit.Index) step {
	for _, i := range append([]acquire.InstrumentState{n.Encoder}, n.Indicators...) {
		if !i.Live && i.Status != acquire.StatusByEye {
			return step{phaseReady, fmt.Sprintf("Get the %s to speak.", instrumentWord(i)), i.Detail, nil}
		}
	}
	switch {
	case v.Job == nil && len(v.OpenJobs) == 0:
		return step{phaseReady, "Make a job for this engine.", "A job holds an engine's data and its sweeps. Nothing is recorded until one is chosen.",
			[]act{{Text: "Make a job", Href: "/jobs"}}}
	case v.Job == nil:
		return step{phaseReady, "Choose the job to work on.", "Nothing is recorded until one is chosen.", v.chooseJob()}
	case v.Job.CautionsAt == nil:
		return step{phaseReady, "Read this before anybody turns the crank.", "", []act{{Text: "I have read this", Method: "POST", Path: fmt.Sprintf("/api/v1/jobs/%d/cautions", v.Job.ID)}}}
	case readByEye(n) != "":
		return step{phaseMarks, readByEye(n), firstOf(index.Advice), []act{{Text: "Read marks by hand", Href: "/by-hand"}, {Text: "To the report", Href: fmt.Sprintf("/jobs/%d/report", v.Job.ID)}}}
	case v.Job.Direction == nil:
		return step{phaseDirection, "Turn a few degrees in running direction, stop, and confirm.",
			fmt.Sprintf("This engine runs %s. Without it no index, trim or mark is given: a reversed encoder would turn every trim round.", v.Runs),
			[]act{{Text: "That was running direction", Method: "POST", Path: "/api/v1/bench/direction", Body: fmt.Sprintf(`{"job":%d}`, v.Job.ID)}}}
	}
	if len(n.Running) > 0 {
		return runningStep(n.Running)
	}
	return v.betweenSweeps(n, index)
}

// readByEye says why a person has to read; "": instruments speak.
func readByEye(n acquire.Snapshot) string {
	typed := func(i acquire.InstrumentState) bool { return i.Status == acquire.StatusByEye }
	switch {
	case typed(n.Encoder):
		return "No encoder: read the damper’s degree marks."
	case len(n.Indicators) > 0 && !slices.ContainsFunc(n.Indicators, func(i acquire.InstrumentState) bool { return !typed(i) }):
		return "No indicator that speaks: read marks and dial by eye."
	}
	return ""
}

func (v benchView) chooseJob() (acts []act) {
	for _, j := range v.OpenJobs {
		acts = append(acts, act{Text: "“" + j.Name + "”", Method: "PUT", Path: "/api/v1/bench/selection", Body: fmt.Sprintf(`{"job":%d,"cylinders":{}}`, j.ID)})
		if len(acts) == 4 {
			break
		}
	}
	return append(acts, act{Text: "All jobs", Href: "/jobs"})
}

func runningStep(running []acquire.RunningSweep) step {
	var on []int
	paused := true
	for _, r := range running {
		on = append(on, r.Cylinder)
		paused = paused && r.Paused
	}
	if paused {
		return step{phaseSweep, fmt.Sprintf("Go on turning the same way: the sweep of %s waits.", cylindersText(on)), "No re-grip within 10° of the top; turning back ends the sweep.", nil}
	}
	return step{phaseSweep, fmt.Sprintf("Keep turning: %s.", cylindersText(on)), "Slowly and evenly through the top and well past it.", nil}
}

// betweenSweeps: nothing is being swept; is this placement done, and what is next?
func (v benchView) betweenSweeps(n acquire.Snapshot, index fit.Index) step {
	stands := standing(n.Selection)
	if v.unlinked(index) {
		return v.referenceAgain(n, index, "The encoder lost its count or was moved: what was swept since counts once the reference is swept again.")
	}
	for _, c := range stands {
		if done, missing := v.swept(index, c); !done {
			how := v.preload(n, c)
			if how == "" {
				how = firstOf(index.Advice)
			}
			return step{phaseSweep, missing, how, nil}
		}
	}
	if next := v.nextUp(n, index); len(next) > 0 {
		return v.place(n, index, next)
	}
	only := len(v.Engine.Tops()) == 1
	if index.ClosureDeg == nil && !only {
		return v.referenceAgain(n, index, "It proves that the encoder did not slip.")
	}
	return v.afterSweeps(stands, index)
}

// unlinked tells that a cylinder's sweeps wait for one of the reference, and
// that none was made since.
func (v benchView) unlinked(index fit.Index) bool {
	if len(v.Last) > 0 && v.Last[0].Cylinder == v.Engine.Reference() && !v.Last[0].SetAside {
		return false
	}
	return slices.ContainsFunc(index.Cylinders, func(c fit.Cylinder) bool {
		return len(c.Curves) == 0 && slices.Contains(c.Flags, fit.FlagMountUnlinked)
	})
}

func (v benchView) referenceAgain(n acquire.Snapshot, index fit.Index, why string) step {
	ref := v.Engine.Reference()
	if slices.Equal(standing(n.Selection), []int{ref}) {
		return step{phaseSweep, fmt.Sprintf("Sweep cylinder %d once more.", ref), why, nil}
	}
	s := v.place(n, index, []int{ref})
	s.Do, s.How = fmt.Sprintf("Back to cylinder %d, the reference: sweep it once more.", ref), why
	return s
}

func (v benchView) afterSweeps(stands []int, index fit.Index) step {
	report := act{Text: "To the report", Href: fmt.Sprintf("/jobs/%d/report", v.Job.ID)}
	if len(stands) > 0 {
		return step{phaseMarks, "All cylinders are swept. Take the indicator off.", firstOf(index.Advice),
			[]act{{Text: "It is off", Method: "PUT", Path: "/api/v1/bench/selection", Body: fmt.Sprintf(`{"job":%d,"cylinders":{}}`, v.Job.ID)}, report}}
	}
	if len(index.Marks) == 0 {
		return step{phaseMarks, "Check the damper's marks.", "Bring each under the pointer, coming up in running direction.", []act{{Text: "To the marks", Href: "/marks"}, report}}
	}
	return step{phaseReport, "The job is measured.", firstOf(index.Advice), []act{report, {Text: "To the marks", Href: "/marks"}}}
}

// place asks for the indicators to be set on the cylinders that are next.
func (v benchView) place(n acquire.Snapshot, index fit.Index, next []int) step {
	at := map[string]int{}
	var words []string
	for i, one := range n.Indicators {
		if i < len(next) {
			at[one.Name] = next[i]
			words = append(words, fmt.Sprintf("“%s” on cylinder %d", one.Name, next[i]))
		}
	}
	do := fmt.Sprintf("Next: the indicator on %s.", cylindersText(next))
	button := "It stands on " + numbersText(next)
	if len(n.Indicators) > 1 {
		do = "Next: " + strings.Join(words, ", ") + "."
	}
	body, err := toJSON(selectionDoc{v.Job.ID, at})
	if err != nil {
		return step{}
	}
	how := ""
	if v.ClosedUp {
		how = "Of its two tops take the one with both valves shut. "
	}
	how += fmt.Sprintf("Start %s before its top. ±%g° needs %s of travel and %s in reserve.", v.degrees(aimDeg), aimDeg, v.Travel, v.Reserve)
	return step{phasePlace, do, how, []act{{Text: button, Method: "PUT", Path: "/api/v1/bench/selection", Body: body}}}
}

// preload says so when the plunger is pressed in too little where a sweep
// begins: the piston would leave it before the sweep's other end. "" where it is
// enough, or where neither the stop nor the top is known.
func (v benchView) preload(n acquire.Snapshot, number int) string {
	i := slices.IndexFunc(n.Indicators, func(s acquire.InstrumentState) bool { return s.Cylinder == number })
	k := slices.IndexFunc(v.Tops, func(t wheelTop) bool { return t.N == number })
	if i < 0 || k < 0 || v.ZeroDeg == nil || n.Encoder.Value == nil {
		return ""
	}
	one := n.Indicators[i]
	if one.RestMM == nil || one.Value == nil {
		return ""
	}
	from := foldHalf(*n.Encoder.Value*float64(v.Sign) - *v.ZeroDeg - v.Tops[k].Deg)
	pressed := *one.Value - *one.RestMM
	if math.Abs(from) > aimDeg || pressed >= reserveMM {
		return ""
	}
	return fmt.Sprintf("The plunger is pressed in by %s only, %.0f° from the top: lower the indicator until it is %s or more.", v.Shown(pressed), math.Abs(from), v.Reserve)
}

func (benchView) degrees(d float64) string { return fmt.Sprintf("%g°", d) }

// standing are the selected cylinders in their order.
func standing(s acquire.Selection) []int {
	return slices.Sorted(maps.Values(s.Cylinders))
}

// unfit are the flags under which a cylinder still wants a sweep.
var unfit = []string{fit.FlagNotSwept, fit.FlagShort, fit.FlagMissesTop, fit.FlagUpsideDown, fit.FlagNoMotion, fit.FlagFewReadings, fit.FlagMountUnlinked, fit.FlagNotConverged, fit.FlagWrongCylinder}

// swept says whether a cylinder has what it needs, and if not what is missing.
func (v benchView) swept(index fit.Index, number int) (done bool, missing string) {
	i := slices.IndexFunc(index.Cylinders, func(c fit.Cylinder) bool { return c.Number == number })
	if i < 0 || len(index.Cylinders[i].Curves) == 0 {
		return false, fmt.Sprintf("Sweep through the top of cylinder %d, slowly and evenly.", number)
	}
	c := index.Cylinders[i]
	if slices.Contains(c.Flags, fit.FlagOneWay) {
		if v.Engine.TurnBack == "forbidden" {
			return c.Sweeps > 1, fmt.Sprintf("Cylinder %d: once more forward, at another speed.", number)
		}
		if c.Curves[len(c.Curves)-1].Direction < 0 {
			return false, fmt.Sprintf("Cylinder %d: now sweep forward.", number)
		}
		return false, fmt.Sprintf("Cylinder %d: now sweep back.", number)
	}
	for _, f := range unfit {
		if slices.Contains(c.Flags, f) {
			return false, fmt.Sprintf("Cylinder %d: sweep again.", number)
		}
	}
	return true, ""
}

const togetherDeg = 10.0 // throws that stand so near each other come up together

// nextUp are the cylinders to be swept next, one to an indicator: the
// reference before all others, then by the job's order where that was given or
// the engine is closed up, else the one whose top comes first when the crank
// goes on in running direction; with those that are up beside it.
func (v benchView) nextUp(n acquire.Snapshot, index fit.Index) []int {
	var open []engine.Top
	for _, number := range v.Order {
		if done, _ := v.swept(index, number); !done {
			if t, ok := v.Engine.Top(number); ok {
				open = append(open, t)
			}
		}
	}
	if len(open) == 0 {
		return nil
	}
	first := open[0]
	if i := slices.IndexFunc(open, func(t engine.Top) bool { return t.Number == v.Engine.Reference() }); i >= 0 {
		first = open[i]
	} else if v.ZeroDeg != nil && n.Encoder.Value != nil && !v.Fixed {
		now := *n.Encoder.Value*float64(v.Sign) - *v.ZeroDeg
		first = slices.MinFunc(open, func(a, b engine.Top) int { return cmp.Compare(aheadDeg(a, now), aheadDeg(b, now)) })
	}
	next := []int{first.Number}
	for _, t := range open {
		if t.Number != first.Number && len(next) < len(n.Indicators) && math.Abs(foldHalf(t.NominalDeg-first.NominalDeg)) < togetherDeg {
			next = append(next, t.Number)
		}
	}
	return next
}

// aheadDeg is how far the crank must go on to a nominal top, in whole degrees:
// tops that come together are equally far, and the order decides.
func aheadDeg(t engine.Top, nowDeg float64) float64 {
	return math.Round(math.Mod(math.Mod(t.NominalDeg-nowDeg, 360)+360, 360))
}

func instrumentWord(i acquire.InstrumentState) string {
	if i.Kind == acquire.KindEncoder {
		return "encoder"
	}
	return fmt.Sprintf("indicator “%s”", i.Name)
}

func firstOf(texts []string) string {
	if len(texts) == 0 {
		return ""
	}
	return texts[0]
}

func numbersText(n []int) string {
	return strings.ReplaceAll(strings.Trim(fmt.Sprint(n), "[]"), " ", " and ")
}

func cylindersText(n []int) string {
	if len(n) == 1 {
		return fmt.Sprintf("cylinder %d", n[0])
	}
	return "cylinders " + numbersText(n)
}
