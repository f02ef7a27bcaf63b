package dashboards

import (
	"context"
	"errors"
	"net/http"
	"slices"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/store"
)

// handView is the page of what a person reads: angles off the damper's degree
// marks, heights off a live display or a plain dial.
type handView struct {
	benchView
	Reading *handDoc // the sweep that is being read
	Way     int      // which way it goes
	Dials   []handDial
	Next    handNext
	Before  *handDoc // the last sweep that was read, where none is being read
	AngleU  float64  // how well the bench file says the marks are read, degrees
}

// handDial is what a height can be taken from.
type handDial struct {
	Name string `json:"name"`
	Live bool   `json:"live"` // it speaks
	Unit string `json:"unit"` // of what is typed
	Now  bool   `json:"now"`  // the one proposed
}

// handNext is the sweep that is proposed, and why.
type handNext struct {
	Cylinder  int `json:"cylinder"` // 0: all are read
	Direction int `json:"direction"`
	Turned    bool
}

const (
	stepsAside    = 7 // marks either side of a top
	usualMarkUDeg = 0.2
)

func (s *Server) handPage(w http.ResponseWriter, r *http.Request) error {
	n := s.bench.Snapshot()
	v := handView{benchView: benchView{Hand: 1, Sign: 1}, AngleU: usualMarkUDeg}
	if u := n.Encoder.Config.AngleUDeg; u > 0 {
		v.AngleU = u
	}
	var err error
	if v.OpenJobs, err = s.openJobs(r.Context()); err != nil {
		return err
	}
	if err := s.handRunning(r.Context(), &v, n); err != nil {
		return err
	}
	id := n.Selection.Job
	if v.Reading != nil {
		id = v.Reading.Job
	}
	if id != 0 {
		if err := s.handJob(r.Context(), &v, id, n); err != nil {
			return err
		}
	}
	v.dials(n.Indicators, displayOf(r).Length)
	return s.render(w, r, http.StatusOK, "byhand", frame{Title: "Read marks by hand", Here: "bench", Page: v, Simulated: v.Job != nil && v.Job.Simulated})
}

// handRunning finds the sweep that is being read, if there is one.
func (s *Server) handRunning(ctx context.Context, v *handView, n acquire.Snapshot) error {
	for _, w := range n.Running {
		sweep, list, err := s.store.HandReadings(ctx, w.ID)
		if errors.Is(err, store.ErrNotFound) {
			continue // an encoder's
		}
		if err != nil {
			return err
		}
		d := handDocOf(sweep, list)
		v.Reading, v.Way = &d, w.Direction
	}
	return nil
}

// handJob is what the job says; it is not solved while marks are being read.
func (s *Server) handJob(ctx context.Context, v *handView, id int64, n acquire.Snapshot) error {
	job, err := s.store.Job(ctx, id)
	if err != nil {
		return err
	}
	sweeps, err := s.allSweeps(ctx, id)
	if err != nil {
		return err
	}
	var index fit.Index
	if v.Reading == nil {
		index = s.indexOrEmpty(ctx, id)
	}
	v.ofJob(job, sweeps, index, n)
	v.Doubts = nil
	for _, c := range v.Chips {
		v.Doubts = append(v.Doubts, doubtOf(index, c.Number))
	}
	if v.Reading != nil {
		return nil
	}
	for _, w := range slices.Backward(sweeps) {
		if w.AngleUDeg > 0 {
			v.Before = &handDoc{sweepDoc: sweepOf(w), FewestToFit: fit.FewestMarks}
			break
		}
	}
	v.Next = v.propose(n, index)
	return nil
}

// propose is the cylinder that was being read, the other way, or the next one.
func (v handView) propose(n acquire.Snapshot, index fit.Index) handNext {
	if v.Before != nil {
		if done, _ := v.swept(index, v.Before.Cylinder); !done {
			way := v.wayOf(index, v.Before.Cylinder)
			return handNext{v.Before.Cylinder, way, v.Before.Direction != nil && way == -*v.Before.Direction}
		}
	}
	for _, number := range v.nextUp(n, index) {
		return handNext{Cylinder: number, Direction: v.wayOf(index, number)}
	}
	return handNext{Direction: 1}
}

// wayOf is the way that a cylinder was read less often, forward first.
func (v handView) wayOf(index fit.Index, number int) int {
	forward, back := 0, 0
	for _, c := range index.Cylinders {
		for _, w := range c.Curves {
			switch {
			case c.Number != number:
			case w.Direction < 0:
				back++
			default:
				forward++
			}
		}
	}
	if forward > back && v.Engine.TurnBack != "forbidden" {
		return -1
	}
	return 1
}

// dials are the bench's indicators and, beside them, a dial that nobody described.
func (v *handView) dials(list []acquire.InstrumentState, unit string) {
	plain := true
	for _, i := range list {
		d := handDial{Name: i.Name, Live: !i.Config.ByEye() && i.Status != acquire.StatusByEye, Unit: i.Config.Unit}
		if d.Unit == "" {
			d.Unit = unit
		}
		plain = plain && i.Name != acquire.PlainDial
		v.Dials = append(v.Dials, d)
	}
	if plain {
		v.Dials = append(v.Dials, handDial{Name: acquire.PlainDial, Unit: unit})
	}
	now := 0
	for k, d := range v.Dials {
		if v.Reading != nil && v.Reading.Indicator == d.Name || v.Reading == nil && v.Before != nil && v.Before.Indicator == d.Name {
			now = k
		}
	}
	v.Dials[now].Now = true
}

// Marks are where each cylinder's top stands on the damper, nominally.
func (v handView) Marks() map[int]float64 {
	at := map[int]float64{}
	for _, t := range v.Engine.Tops() {
		if at[t.Number] = foldHalf(t.NominalDeg); at[t.Number] == -180 {
			at[t.Number] = 180
		}
	}
	return at
}

// Script is what the page's script needs, as JSON.
func (v handView) Script() (string, error) {
	d := map[string]any{"reading": v.Reading, "way": v.Way, "dials": v.Dials, "next": v.Next, "marks": v.Marks(), "aside": stepsAside, "fewest": fit.FewestMarks}
	if v.Job != nil {
		d["job"], d["reference"] = v.Job.ID, v.Engine.Reference()
	}
	return toJSON(d)
}

// Few tells a sweep that has too few marks to be used.
func (v handView) Few() bool { return v.Before != nil && v.Before.Readings < fit.FewestMarks }
