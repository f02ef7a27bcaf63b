package dashboards

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"

	"crownmark/fit"
	"crownmark/store"
)

// jobView is the job page.
type jobView struct {
	Job        jobDoc
	EngineText string
	TurnBack   string
	Index      fit.Index
	Verdicts   string
	Closure    string
	ClosureBad bool
	Errors     template.HTML
	Rows       []cylinderRow
	Sweeps     []sweepRow
	Flags      []fit.RaisedFlag
	Tells      *tellsView // nil: nothing to tell
	Steps      *tellsView // nil: no trim
	Order      []orderStep
	OrderGiven bool
	Star       template.HTML
}

// tellsView is a table of what belongs beside the top: its columns, and the
// cylinders that have them.
type tellsView struct {
	Drops, Steps []float64 // mm; degrees
	Rows         []cylinderRow
}

// tellsOf parts the rows that have durations, and those that have a trim on
// controllers of other steps.
func tellsOf(rows []cylinderRow) (tells, steps *tellsView) {
	for _, r := range rows {
		if len(r.Durations) > 0 {
			if tells == nil {
				tells = &tellsView{}
				for _, d := range r.Durations {
					tells.Drops = append(tells.Drops, d.DropMM)
				}
			}
			tells.Rows = append(tells.Rows, r)
		}
		if len(r.LeftByStep) > 0 {
			if steps == nil {
				steps = &tellsView{}
				for _, l := range r.LeftByStep {
					steps.Steps = append(steps.Steps, l.StepDeg)
				}
			}
			steps.Rows = append(steps.Rows, r)
		}
	}
	return tells, steps
}

type cylinderRow struct {
	fit.Cylinder
	Reference bool
	Shape     string // what the verdict's mark looks like
	Plot      template.HTML
}

func (s *Server) jobPage(w http.ResponseWriter, r *http.Request) error {
	job, err := s.pathJob(r)
	if err != nil {
		return err
	}
	sweeps, err := s.allSweeps(r.Context(), job.ID)
	if err != nil {
		return err
	}
	v, err := viewOf(job, sweeps, s.indexOrEmpty(r.Context(), job.ID), s.sayer(r))
	if err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "job", frame{Of: job.Name, Here: "jobs", Page: v, Simulated: job.Simulated || v.Index.Simulated})
}

func viewOf(job store.Job, sweeps []store.Sweep, x fit.Index, say sayer) (jobView, error) {
	order, err := orderSteps(job.Order)
	if err != nil {
		return jobView{}, err
	}
	v := jobView{Order: order, OrderGiven: job.OrderGiven, Star: starSVG(job.Engine), Job: jobOf(job), EngineText: engineText(job.Engine), TurnBack: turnBackText(job.Engine), Index: x,
		Verdicts: verdictText(x), Closure: fit.ClosureWords(x), ClosureBad: x.ClosureFailed(), Flags: x.RaisedFlags()}
	if len(x.Cylinders) > 0 {
		v.Errors = errorsSVG(x, say)
	}
	var numbers []int
	for _, c := range x.Cylinders {
		row := cylinderRow{Cylinder: c, Reference: c.Number == x.ReferenceCylinder, Shape: c.Verdict}
		if row.Reference {
			row.Shape = "reference"
		}
		if len(c.Curves) > 0 {
			var b bytes.Buffer
			if err := CurvesSVG(&b, x, PlotOptions{Cylinder: c.Number, Inline: true, Say: say}); err != nil {
				return v, fmt.Errorf("cylinder %d: %w", c.Number, err)
			}
			row.Plot = template.HTML(b.String())
		}
		numbers = append(numbers, c.Number)
		v.Rows = append(v.Rows, row)
	}
	v.Tells, v.Steps = tellsOf(v.Rows)
	for _, w := range sweeps {
		v.Sweeps = append(v.Sweeps, rowOf(w, numbers))
	}
	return v, nil
}
