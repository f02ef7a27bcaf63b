package dashboards

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"

	"html/template"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/engine"
	"crownmark/store"
)

// benchView is the bench page: what is so now, and what to do next.
type benchView struct {
	Bench    benchDoc
	Job      *jobDoc
	Engine   engine.Engine
	Order    []int // the cylinders as they will be swept
	Fixed    bool  // that order, and not the next top's
	ClosedUp bool  // the head is on: both valves must be shut
	OpenJobs []jobDoc
	Chips    []chip
	Step     step
	Wheel    template.HTML
	Hand     float64 // +1 runs clockwise
	Sign     int     // bench angle × Sign grows in running direction
	ZeroDeg  *float64
	ZeroWord string
	Tops     []wheelTop
	Last     []sweepRow
	Runs     string
	TurnBack string
	Travel   string // needed of an indicator, in the browser's unit
	Reserve  string
	Shown    func(mm float64) string // a length in that unit
	Aims     []aim
	Doubts   []doubt
	Used     []int64 // sweeps that serve the fit
}

// chip is one cylinder in the row of all.
type chip struct {
	Number int
	State  string // todo, part, done
	Words  string
	Stands bool // an indicator stands on it
	fit.Cylinder
}

// doubt is how well a cylinder in work is known by now.
type doubt struct {
	Cylinder int
	U95Deg   *float64
	What     string // of which angle
	Ways     string // which ways it was swept
}

// Script is what the page's script needs, as JSON.
func (v benchView) Script() (string, error) {
	d := map[string]any{"hand": v.Hand, "sign": v.Sign, "zero": v.ZeroDeg, "zero_word": v.ZeroWord, "tops": v.Tops, "running": v.Bench.Running,
		"aims": v.Aims, "aim_deg": aimDeg, "ruler_deg": rulerDeg, "slow_deg_s": slowDegS, "turn_back": v.Engine.TurnBack, "used": v.Used}
	return toJSON(d)
}

type sweepRow struct {
	store.Sweep
	Way, StateText, CauseText string
	Numbers                   []int
}

func (s *Server) benchPage(w http.ResponseWriter, r *http.Request) error {
	snapshot := s.bench.Snapshot()
	v := benchView{Bench: s.benchOf(r.Context(), snapshot), Hand: 1, Sign: 1}
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
		v.ofJob(job, sweeps, index, snapshot)
		d := displayOf(r)
		v.Shown = func(mm float64) string { return d.length(&mm, 1) + " " + d.Length }
		v.Travel, v.Reserve = v.Shown(travelMM(job.Engine, aimDeg)), v.Shown(reserveMM)
	}
	open, err := s.openJobs(r.Context())
	if err != nil {
		return err
	}
	v.OpenJobs = open
	v.Step = nextStep(v, snapshot, index)
	if v.Job == nil {
		v.ZeroWord = noTopYet
	}
	v.ZeroWord = s.sayer(r)(v.ZeroWord)
	v.Wheel = wheelSVG(v.Hand, v.Tops)
	return s.render(w, r, http.StatusOK, "bench", frame{Title: "Bench", Here: "bench", Page: v, Simulated: v.Job != nil && v.Job.Simulated})
}

func (v *benchView) ofJob(job store.Job, sweeps []store.Sweep, index fit.Index, n acquire.Snapshot) {
	d := jobOf(job)
	v.Job, v.Engine, v.Order = &d, job.Engine, job.Order
	v.ClosedUp = job.Stage == store.StageAssembled || job.Stage == store.StageInCar
	v.Fixed = job.OrderGiven || v.ClosedUp
	v.Runs, v.TurnBack = runsText(job.Engine), turnBackText(job.Engine)
	v.Hand = handOf(job.Engine)
	if job.DirectionSign != 0 {
		v.Sign = job.DirectionSign
	}
	v.placeTops(job, sweeps, index, n.Encoder.Mount)
	v.chips(index, n.Selection)
	for _, c := range index.Cylinders {
		for _, w := range c.Curves {
			v.Used = append(v.Used, w.SweepID)
		}
	}
	for _, i := range n.Indicators {
		if i.Cylinder != 0 {
			v.Aims = append(v.Aims, v.aimOf(i.Name, i.Cylinder, index))
			v.Doubts = append(v.Doubts, doubtOf(index, i.Cylinder))
		}
	}
	var numbers []int
	for _, t := range job.Engine.Tops() {
		numbers = append(numbers, t.Number)
	}
	for _, w := range slices.Backward(sweeps) {
		if v.Last = append(v.Last, rowOf(w, numbers)); len(v.Last) == 6 {
			break
		}
	}
}

func (v *benchView) chips(index fit.Index, selection acquire.Selection) {
	stands := standing(selection)
	for _, t := range v.Engine.Tops() {
		c := chip{Number: t.Number, State: "todo", Words: "to sweep", Stands: slices.Contains(stands, t.Number)}
		if i := slices.IndexFunc(index.Cylinders, func(x fit.Cylinder) bool { return x.Number == t.Number }); i >= 0 {
			c.Cylinder = index.Cylinders[i]
		}
		switch done, _ := v.swept(index, t.Number); {
		case done:
			c.State, c.Words = "done", "swept"
		case len(c.Curves) > 0:
			c.State, c.Words = "part", "not enough yet"
		}
		v.Chips = append(v.Chips, c)
	}
}

// doubtOf is a cylinder's index doubt, the reference's of its own top.
func doubtOf(index fit.Index, number int) doubt {
	d := doubt{Cylinder: number, What: "index"}
	for _, c := range index.Cylinders {
		if c.Number != number {
			continue
		}
		d.U95Deg = c.IndexU95Deg
		if number == index.ReferenceCylinder || d.U95Deg == nil {
			d.U95Deg, d.What = c.TDCU95Deg, "top"
		}
		forward, back := 0, 0
		for _, w := range c.Curves {
			if w.Direction < 0 {
				back++
			} else {
				forward++
			}
		}
		d.Ways = fmt.Sprintf("%d forward, %d back", forward, back)
	}
	return d
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
