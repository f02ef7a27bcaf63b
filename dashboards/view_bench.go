package dashboards

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"

	"html/template"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/store"
)

// benchView is the bench page: what is so now, and what to do next.
type benchView struct {
	Bench    benchDoc
	Job      *jobDoc
	OpenJobs []jobDoc
	Numbers  []int
	Next     nextStep
	Wheel    template.HTML
	Hand     float64 // +1 runs clockwise
	Sign     int     // bench angle × Sign grows in running direction
	ZeroDeg  *float64
	ZeroWord string
	Tops     []wheelTop
	Last     []sweepRow
	Marks    []fit.MarkError
	Runs     string
	TurnBack string
}

// nextStep is what to do now, and why or how.
type nextStep struct{ Do, How string }

// Long tells a sentence that would fill the screen in the largest letters.
func (n nextStep) Long() bool { return len(n.Do) > 75 }

type sweepRow struct {
	store.Sweep
	Way, StateText, CauseText string
	Numbers                   []int
}

func (s *Server) benchPage(w http.ResponseWriter, r *http.Request) error {
	snapshot := s.bench.Snapshot()
	v := benchView{Bench: s.benchOf(snapshot), Hand: 1, Sign: 1}
	var index fit.Index
	if snapshot.Selection.Job != 0 {
		job, err := s.store.Job(r.Context(), snapshot.Selection.Job)
		if err != nil {
			return err
		}
		sweeps, err := s.allSweeps(r.Context(), job.ID)
		if err != nil {
			return err
		}
		index = s.indexOrEmpty(r.Context(), job.ID)
		v.ofJob(job, sweeps, index, snapshot.Encoder.Mount)
	}
	open, err := s.openJobs(r.Context())
	if err != nil {
		return err
	}
	v.OpenJobs = open
	v.Next = next(v, snapshot, index)
	v.Wheel = wheelSVG(v.Hand, v.Tops)
	return s.render(w, r, http.StatusOK, "bench", frame{Title: "Bench", Here: "bench", Page: v, Simulated: v.Job != nil && v.Job.Simulated})
}

func (v *benchView) ofJob(job store.Job, sweeps []store.Sweep, index fit.Index, mount int) {
	d := jobOf(job)
	v.Job, v.Marks = &d, index.Marks
	v.Runs, v.TurnBack = runsText(job.Engine), turnBackText(job.Engine)
	v.Hand = handOf(job.Engine)
	if job.DirectionSign != 0 {
		v.Sign = job.DirectionSign
	}
	for _, t := range job.Engine.Tops() {
		v.Numbers = append(v.Numbers, t.Number)
	}
	v.placeTops(job, sweeps, index, mount)
	for _, w := range slices.Backward(sweeps) {
		if v.Last = append(v.Last, rowOf(w, v.Numbers)); len(v.Last) == 6 {
			break
		}
	}
}

// placeTops puts the cylinders' tops on the wheel once the reference was swept
// in the encoder mounting that stands now; before that no place is known.
func (v *benchView) placeTops(job store.Job, sweeps []store.Sweep, index fit.Index, mount int) {
	v.ZeroDeg, v.ZeroWord = trueTop(job, sweeps, index, mount)
	if v.ZeroDeg == nil {
		return
	}
	for _, c := range index.Cylinders {
		at := c.NominalDeg
		if c.TDCDeg != nil {
			at = *c.TDCDeg - *v.ZeroDeg
		}
		v.Tops = append(v.Tops, wheelTop{c.Number, math.Mod(at+720, 360)})
	}
}

func rowOf(w store.Sweep, numbers []int) sweepRow {
	return sweepRow{w, fit.WayWords(w.Direction), sweepState(w), acquire.CauseWords(w.Cause), numbers}
}

// indexOrEmpty is for pages that have more to show than the index: a fit that
// fails is told where the index belongs, and leaves the rest standing.
func (s *Server) indexOrEmpty(ctx context.Context, job int64) fit.Index {
	index, err := s.solver.index(ctx, job)
	if err != nil {
		status := problemOf(err).Title
		if p, ok := errors.AsType[*Problem](err); ok {
			status += ": " + p.Detail + "; " + p.Fix
		}
		return fit.Index{Status: status}
	}
	return index
}

func (s *Server) allSweeps(ctx context.Context, job int64) ([]store.Sweep, error) {
	return store.All(func(p store.Page) ([]store.Sweep, *int64, error) { return s.store.Sweeps(ctx, job, p) })
}

func (s *Server) allJobs(ctx context.Context) ([]store.Job, error) {
	return store.All(func(p store.Page) ([]store.Job, *int64, error) { return s.store.Jobs(ctx, p) })
}

func (s *Server) openJobs(ctx context.Context) ([]jobDoc, error) {
	jobs, err := s.allJobs(ctx)
	if err != nil {
		return nil, err
	}
	var open []jobDoc
	for _, j := range slices.Backward(jobs) {
		if j.State == "open" {
			open = append(open, jobOf(j))
		}
	}
	return open, nil
}

// next says what to do now, in the builder's words: instruments, job, running
// direction, cylinder, and then what the fit advises.
func next(v benchView, n acquire.Snapshot, index fit.Index) nextStep {
	for _, i := range append([]acquire.InstrumentState{n.Encoder}, n.Indicators...) {
		if !i.Live {
			return nextStep{fmt.Sprintf("Get the %s to speak.", instrumentWord(i)), i.Detail}
		}
	}
	switch {
	case v.Job == nil && len(v.OpenJobs) == 0:
		return nextStep{"Make a job for this engine.", "A job holds an engine's data and its sweeps. Nothing is recorded until one is chosen."}
	case v.Job == nil:
		return nextStep{"Choose the job to work on.", "Nothing is recorded until one is chosen."}
	case v.Job.Direction == nil:
		return nextStep{"Turn a few degrees in running direction, stop, and confirm.",
			fmt.Sprintf("This engine runs %s. Without it no index, trim or mark is given: a reversed encoder would turn every trim round.", v.Runs)}
	case len(n.Selection.Cylinders) == 0:
		return nextStep{"Say which cylinder the indicator stands on.", "Nothing is recorded until then."}
	}
	if len(n.Running) > 0 {
		r := n.Running[0]
		if r.Paused {
			return nextStep{fmt.Sprintf("Go on turning the same way: cylinder %d's sweep waits.", r.Cylinder), "No re-grip within 10° of the top; turning back ends the sweep."}
		}
		return nextStep{fmt.Sprintf("Keep turning: cylinder %d is being swept.", r.Cylinder), "Slowly and evenly through the top and well past it."}
	}
	if len(index.Advice) > 0 {
		return nextStep{index.Advice[0], strings.Join(index.Advice[1:], " ")}
	}
	return nextStep{"Sweep through the top, slowly and evenly.", v.TurnBack}
}

func instrumentWord(i acquire.InstrumentState) string {
	if i.Kind == acquire.KindEncoder {
		return "encoder"
	}
	return fmt.Sprintf("indicator “%s”", i.Name)
}
