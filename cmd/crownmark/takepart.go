package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
)

// follower is the hand at the bar while a person at the page presses the keys:
// it looks what the program was told and turns accordingly.
type follower struct {
	builder
	done  map[string]bool // placements swept
	turns int             // for the running direction
	at    string          // what stands under the pointer
	told  string
	stood int64 // the last calibration whose first point was come to
	shelf bool  // the engine is in the library
}

// benchNow is what a follower needs to know of the bench.
type benchNow struct {
	Selection *struct {
		Job       int64          `json:"job"`
		Cylinders map[string]int `json:"cylinders"`
	} `json:"selection"`
	Indicators []struct {
		Name     string `json:"name"`
		Cylinder int    `json:"cylinder"`
		Setup    int    `json:"setup"`
	} `json:"indicators"`
	Calibration *calibrationNow `json:"calibration"`
}

// calibrationNow is what a follower needs to know of a guided calibration.
type calibrationNow struct {
	Calibration int64  `json:"calibration"`
	Indicator   string `json:"indicator"`
	State       string `json:"state"`
	Next        *struct {
		Direction   string  `json:"direction"`
		ReferenceMM float64 `json:"reference_mm"`
	} `json:"next"`
}

func newFollower(out io.Writer, engine json.RawMessage) *follower {
	return &follower{builder: builder{out: out, engine: engine}, done: map[string]bool{}}
}

// ask looks what the person wants.
func (f *follower) ask(o *virtual.Operator) (virtual.Wish, error) {
	var now benchNow
	if err := f.call(o.Context(), "GET", "/api/v1/bench", nil, &now); err != nil {
		return virtual.Wish{}, o.Context().Err() // the program is being restarted, perhaps
	}
	if !f.shelf {
		if err := f.call(o.Context(), "POST", "/api/v1/engines", map[string]any{"engine": f.engine}, nil); err != nil {
			return virtual.Wish{}, err
		}
		f.shelf = true
	}
	if now.Calibration != nil {
		return f.calibrate(*now.Calibration)
	}
	if now.Selection == nil {
		return f.say(virtual.Wish{}, "waits: choose a job on the page, or make one")
	}
	f.job = now.Selection.Job
	var job struct {
		Direction *int    `json:"direction"`
		Cautions  *string `json:"cautions_acknowledged_at"`
	}
	if err := f.call(o.Context(), "GET", fmt.Sprintf("/api/v1/jobs/%d", f.job), nil, &job); err != nil {
		return virtual.Wish{}, nil
	}
	switch {
	case job.Cautions == nil:
		return f.say(virtual.Wish{}, "waits: read the cautions on the page, and say so")
	case job.Direction == nil && f.turns%20 == 0: // again every few seconds
		f.turns++
		return f.say(virtual.Wish{Do: virtual.WishDirection}, "turns a few degrees in running direction; confirm it on the page")
	case job.Direction == nil:
		f.turns++
		return virtual.Wish{}, nil
	case len(now.Selection.Cylinders) > 0:
		return f.sweep(o.Context(), now)
	}
	return f.mark(o.Context())
}

// sweep turns through the tops on which the indicators stand, once each way
// for each placement, and again when the person sets a sweep aside.
func (f *follower) sweep(ctx context.Context, now benchNow) (virtual.Wish, error) {
	w := virtual.Wish{Do: virtual.WishSweep}
	var places []string
	for _, i := range now.Indicators {
		if i.Cylinder != 0 {
			w.Cylinders = append(w.Cylinders, i.Cylinder)
			places = append(places, fmt.Sprintf("%s on %d, setup %d", i.Name, i.Cylinder, i.Setup))
		}
	}
	key := strings.Join(places, "; ")
	var list struct {
		Items []struct {
			Setup    int  `json:"setup"`
			SetAside bool `json:"set_aside"`
		} `json:"items"`
	}
	if err := f.call(ctx, "GET", fmt.Sprintf("/api/v1/jobs/%d/sweeps?limit=500", f.job), nil, &list); err != nil {
		return virtual.Wish{}, nil
	}
	aside := 0
	for _, s := range list.Items {
		if s.SetAside {
			aside++
		}
	}
	key += fmt.Sprintf(", %d aside", aside)
	if f.done[key] {
		return f.say(virtual.Wish{}, "has swept "+places[0]+"; what next, says the page")
	}
	f.done[key] = true
	return f.say(w, "sweeps "+strings.Join(places, " and "))
}

// mark brings damper marks under the pointer, each until it was pressed three times.
func (f *follower) mark(ctx context.Context) (virtual.Wish, error) {
	var x fit.Index
	if err := f.call(ctx, "GET", fmt.Sprintf("/api/v1/jobs/%d/index", f.job), nil, &x); err != nil || !slices.ContainsFunc(x.Cylinders, func(c fit.Cylinder) bool { return c.Sweeps > 0 }) {
		return f.say(virtual.Wish{}, "waits: say on the page which cylinder the indicator stands on")
	}
	presses := map[float64]int{}
	for _, m := range x.Marks {
		presses[m.MarkDeg] = m.Presses
	}
	for _, deg := range []float64{0, -10, 10} {
		if presses[deg] >= 3 {
			continue
		}
		at := fmt.Sprintf("%g/%d", deg, presses[deg])
		if f.at == at {
			return virtual.Wish{}, nil
		}
		f.at = at
		return f.say(virtual.Wish{Do: virtual.WishMark, MarkDeg: deg}, fmt.Sprintf("brings the damper mark %g° under the pointer; press it on the page", deg))
	}
	return f.say(virtual.Wish{}, "rests: three marks were pressed; the report is next")
}

// calibrate sets the head to the next point, and goes back first where it is told.
func (f *follower) calibrate(c calibrationNow) (virtual.Wish, error) {
	switch {
	case c.State == acquire.StandPaused || c.Next == nil:
		return f.say(virtual.Wish{}, "rests; what next, says the page")
	case c.State != acquire.StandTurn && c.State != acquire.StandBack:
		return virtual.Wish{}, nil // it holds still
	}
	side, rising := "below", c.Next.Direction != acquire.StandDown
	if !rising {
		side = "above"
	}
	// a head that stands there already has come from nowhere
	anew := c.State == acquire.StandBack || f.stood != c.Calibration
	f.stood = c.Calibration
	p := virtual.Point{Indicator: c.Indicator, ReferenceMM: c.Next.ReferenceMM, FromBelow: rising, Anew: anew}
	return f.say(virtual.Wish{Do: virtual.WishStand, Point: p}, fmt.Sprintf("sets the head to %g mm, coming from %s", p.ReferenceMM, side))
}

// say tells once what the hand does.
func (f *follower) say(w virtual.Wish, what string) (virtual.Wish, error) {
	if f.told != what {
		f.told = what
		fmt.Fprintln(f.out, "the hand "+what)
	}
	return w, nil
}
