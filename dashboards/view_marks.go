package dashboards

import (
	"fmt"
	"html/template"
	"math"
	"net/http"

	"crownmark/fit"
	"crownmark/store"
)

// marksView is the page of the damper marks of the job on the bench.
type marksView struct {
	Job      *jobDoc
	Index    fit.Index
	Ring     template.HTML
	Factor   string
	Hand     float64 // +1 runs clockwise
	Sign     int     // bench angle × Sign grows in running direction
	ZeroDeg  *float64
	ZeroWord string
	Degs     []float64 // of the marks pressed so far
	Last     *lastPress
	RimMM    *float64 // of one degree on the damper's rim
	Approach string   // see approachOf
	TurnBack string
	Runs     string
}

// lastPress is the newest press that counts.
type lastPress struct {
	fit.Press
	MarkDeg float64
}

func (s *Server) marksPage(w http.ResponseWriter, r *http.Request) error {
	n := s.bench.Snapshot()
	v := marksView{Hand: 1, Sign: 1}
	if n.Selection.Job != 0 {
		job, err := s.store.Job(r.Context(), n.Selection.Job)
		if err != nil {
			return err
		}
		sweeps, err := s.allSweeps(r.Context(), job.ID)
		if err != nil {
			return err
		}
		v.of(job, sweeps, s.indexOrEmpty(r.Context(), job.ID), n.Encoder.Mount)
		v.Approach = approachOf(n.LastMove, v.Sign, job.DirectionSign != 0)
	}
	var factor float64
	v.Ring, factor = ringSVG(v.Index.Marks, v.Hand, s.sayer(r))
	v.Factor = times(factor)
	return s.render(w, r, http.StatusOK, "marks", frame{Title: "Marks", Here: "marks", Page: v, Simulated: v.Job != nil && v.Job.Simulated})
}

func (v *marksView) of(job store.Job, sweeps []store.Sweep, index fit.Index, mount int) {
	d := jobOf(job)
	v.Job, v.Index, v.Hand = &d, index, handOf(job.Engine)
	v.TurnBack, v.Runs = turnBackText(job.Engine), runsText(job.Engine)
	if job.DirectionSign != 0 {
		v.Sign = job.DirectionSign
	}
	v.ZeroDeg, v.ZeroWord = trueTop(job, sweeps, index, mount)
	for _, m := range index.Marks {
		v.Degs = append(v.Degs, m.MarkDeg)
		for _, p := range m.Each {
			if v.Last == nil || p.ID > v.Last.ID {
				v.Last = &lastPress{p, m.MarkDeg}
			}
		}
	}
	if d := job.Engine.DamperDiameterMM; d != nil {
		mm := *d * degreeOfRim
		v.RimMM = &mm
	}
}

const degreeOfRim = math.Pi / 360 // of a rim, per mm of its diameter and degree

// approachOf says how the crank came to where it stands: up in running
// direction, back against it, or not known.
func approachOf(lastMove, sign int, confirmed bool) string {
	switch {
	case lastMove == 0 || !confirmed:
		return "unknown"
	case lastMove*sign > 0:
		return "up"
	}
	return "back"
}

const noTopYet = "encoder angle, no top known yet"

// trueTop is the reference's true top on the encoder that stands now, in running
// direction, and what an angle then means; nil where it is not known.
func trueTop(job store.Job, sweeps []store.Sweep, index fit.Index, mount int) (zero *float64, word string) {
	ref := job.Engine.Reference()
	home := 0
	for _, w := range sweeps {
		if w.Cylinder == ref && !w.SetAside && home == 0 {
			home = w.Mount
		}
	}
	for _, c := range index.Cylinders {
		if c.Number == ref {
			zero = c.TDCDeg
		}
	}
	switch {
	case zero == nil || job.DirectionSign == 0:
		return nil, noTopYet
	case home != mount:
		return nil, fmt.Sprintf("encoder moved: sweep %d again", ref)
	}
	return zero, fmt.Sprintf("after the top of cylinder %d", ref)
}

// approachShape and approachWords show how a press was come to: as the verdicts'
// shapes, a disc is right, a triangle is not.
func approachShape(approach int) string {
	return map[int]string{1: "within", -1: "outside"}[approach]
}

func approachWords(approach int) string {
	switch {
	case approach > 0:
		return "in running direction"
	case approach < 0:
		return "against running direction"
	}
	return "approach not known"
}

func product(a, b *float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	v := *a * *b
	return &v
}
