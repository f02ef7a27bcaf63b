package virtual

import (
	"fmt"
	"math"
	"slices"
)

// Plan is how a job is done. Start from DefaultPlan.
type Plan struct {
	Cylinders   []int     // in this order; nil: all, in the order in which their tops come
	Ways        Ways      // per placement
	Repeats     int       // that often in each placement
	Closing     bool      // the reference once more at the end, newly placed
	SpanDeg     float64   // sweeps reach about so far either side of the top
	SpeedDegS   Range     // mean speed of a sweep, tossed for each
	LimitDegS   Range     // no sweep's hand is ever slower or faster than this, starts and stops apart
	SlowDegS    float64   // SlowFast: the slow sweep's mean speed …
	FastDegS    float64   // … and the fast one's
	ThroughDegS float64   // turning through from one cylinder to the next
	Remounts    []float64 // then all again, with the encoder's adapter turned on by these degrees each
	Marks       []float64 // damper marks to be pressed at the end, degrees, negative before the top
	Presses     int       // per mark
	SlipDeg     float64   // the encoder slips by this, unnoticed, half-way through the cylinders
}

// Ways is which ways the crank is swept through a top.
type Ways string

const (
	BothWays Ways = "both"      // there and back
	Forward  Ways = "forward"   // only in running direction
	SlowFast Ways = "slow-fast" // only in running direction, once slowly and once fast, placed anew
)

// DefaultPlan is one sweep each way through every top, then the reference
// again: about two and a half minutes for four cylinders.
func DefaultPlan() Plan {
	return Plan{Ways: BothWays, Repeats: 1, Closing: true, SpanDeg: 30, SpeedDegS: Range{4, 9}, LimitDegS: Range{2, 15},
		SlowDegS: 3.5, FastDegS: 11, ThroughDegS: 60, Presses: 3}
}

// Hooks are called from a job's script with virtual time standing still, a
// moment after what they tell of, so that its lines have arrived. An error ends
// the script. Nil hooks are skipped.
type Hooks struct {
	OnStart     func(*Operator) error                              // instruments have been heard, nothing has moved
	OnDirection func(*Operator) error                              // the crank was just turned in running direction
	OnPlace     func(o *Operator, indicator string, cyl int) error // the probe stands on that piston
	OnSweepDone func(o *Operator, cyl, direction int) error        // per cylinder swept
	OnMark      func(o *Operator, markDeg float64) error           // that mark stands under the pointer
	OnRemount   func(*Operator) error                              // the adapter was turned on the crank
	OnEnd       func(*Operator) error
}

// settleS is how long the hands are off before something is told: longer than
// any line's way.
const settleS = 0.6

// Job is the whole job as a script.
func Job(p Plan, h Hooks) Script {
	return func(o *Operator) error {
		j := job{Operator: o, plan: p, hooks: h}
		return j.run()
	}
}

type job struct {
	*Operator
	plan  Plan
	hooks Hooks
}

func (j *job) run() error {
	if err := j.check(); err != nil {
		return err
	}
	if err := j.do(j.Rest(1.5), func() error { return call(j.hooks.OnStart, j.Operator) }); err != nil {
		return err
	}
	if err := j.do(j.Turn(12, 6), j.told(func() error { return call(j.hooks.OnDirection, j.Operator) })); err != nil {
		return err
	}
	for m := 0; ; m++ {
		if err := j.mount(m == 0); err != nil {
			return err
		}
		if m >= len(j.plan.Remounts) {
			break
		}
		j.Remount(j.plan.Remounts[m])
		if err := j.do(j.Rest(5), func() error { return call(j.hooks.OnRemount, j.Operator) }); err != nil {
			return err
		}
	}
	if err := j.marks(); err != nil {
		return err
	}
	return call(j.hooks.OnEnd, j.Operator)
}

func (j *job) check() error {
	p := j.plan
	switch {
	case p.Ways != BothWays && p.Ways != Forward && p.Ways != SlowFast:
		return fmt.Errorf("virtual bench: ways %q: choose %q, %q or %q", p.Ways, BothWays, Forward, SlowFast)
	case p.Repeats < 1 || !(p.SpanDeg > 5 && p.SpanDeg <= 85) || !(p.SpeedDegS.Lo > 0) || !(p.ThroughDegS > 0):
		return fmt.Errorf("virtual bench: plan of %d repeats over ±%g° at %g °/s: repeats from 1, spans of 5 to 85°, speeds above 0", p.Repeats, p.SpanDeg, p.SpeedDegS.Lo)
	case p.Ways == SlowFast && !(p.SlowDegS > 0 && p.FastDegS > 0):
		return fmt.Errorf("virtual bench: slow-fast plan at %g and %g °/s: give both speeds", p.SlowDegS, p.FastDegS)
	}
	return nil
}

// do runs then unless err.
func (j *job) do(err error, then func() error) error {
	if err != nil {
		return err
	}
	return then()
}

// told waits until the lines are there, then calls.
func (j *job) told(fn func() error) func() error {
	return func() error { return j.do(j.Rest(settleS), fn) }
}

func call(fn func(*Operator) error, o *Operator) error {
	if fn == nil {
		return nil
	}
	return fn(o)
}

// mount does all cylinders in one mounting of the encoder.
func (j *job) mount(first bool) error {
	groups := j.groups()
	for g, cylinders := range groups {
		if first && g == (len(groups)+1)/2 {
			j.Slip(j.plan.SlipDeg)
		}
		if err := j.placement(cylinders); err != nil {
			return err
		}
	}
	if j.plan.Closing {
		return j.placement([]int{j.Truth().Engine.Reference})
	}
	return nil
}

// groups are the cylinders that are swept together, one to an indicator: those
// whose throws stand alike.
func (j *job) groups() [][]int {
	e := j.Truth().Engine
	list := slices.Clone(j.plan.Cylinders)
	if list == nil {
		for _, c := range e.Cylinders {
			list = append(list, c.Number)
		}
		slices.SortStableFunc(list, func(a, b int) int {
			ca, _ := e.cylinder(a)
			cb, _ := e.cylinder(b)
			return int(math.Round(1000 * (ca.NominalDeg - cb.NominalDeg)))
		})
	}
	var out [][]int
	for len(list) > 0 {
		group := []int{list[0]}
		first, _ := e.cylinder(list[0])
		for _, n := range list[1:] {
			c, _ := e.cylinder(n)
			if len(group) < len(j.bench.inds) && math.Abs(foldHalf(c.NominalDeg-first.NominalDeg)) < 1 {
				group = append(group, n)
			}
		}
		list = slices.DeleteFunc(list, func(n int) bool { return slices.Contains(group, n) })
		out = append(out, group)
	}
	return out
}

// placement sweeps one group of cylinders as often as the plan says.
func (j *job) placement(cylinders []int) error {
	rounds := j.plan.Repeats
	if j.plan.Ways == BothWays {
		if err := j.approach(cylinders); err != nil {
			return err
		}
		for range rounds {
			for _, way := range []float64{1, -1} {
				if err := j.sweep(cylinders, way, j.plan.SpeedDegS.draw(j.rng)); err != nil {
					return err
				}
			}
		}
		return nil
	}
	if j.plan.Ways == SlowFast {
		rounds *= 2
	}
	for n := range rounds {
		if err := j.approach(cylinders); err != nil {
			return err
		}
		speed := j.plan.SpeedDegS.draw(j.rng)
		if j.plan.Ways == SlowFast {
			speed = []float64{j.plan.SlowDegS, j.plan.FastDegS}[n%2]
		}
		if err := j.sweep(cylinders, 1, speed); err != nil {
			return err
		}
	}
	return nil
}

// approach withdraws the probes, turns through to before the top and places
// the probes there.
func (j *job) approach(cylinders []int) error {
	for i := range j.bench.inds {
		if err := j.Withdraw(j.bench.inds[i].Name); err != nil {
			return err
		}
	}
	if err := j.do(j.Rest(0.5), func() error { return j.TurnTo(cylinders[0], -j.reach(), j.plan.ThroughDegS) }); err != nil {
		return err
	}
	for i, c := range cylinders {
		name := j.bench.inds[i].Name
		if err := j.do(j.Rest(1), func() error { return j.Stand(name, c) }); err != nil {
			return err
		}
		err := j.do(j.Rest(settleS), func() error {
			if j.hooks.OnPlace == nil {
				return nil
			}
			return j.hooks.OnPlace(j.Operator, name, c)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// reach is how far from the top this sweep begins or ends.
func (j *job) reach() float64 { return j.plan.SpanDeg + Range{-1.5, 1.5}.draw(j.rng) }

// sweep is one way through the top, told of when it is over.
func (j *job) sweep(cylinders []int, way, degPerS float64) error {
	if j.labels != nil {
		j.labels.begin(cylinders)
	}
	err := j.sweepTo(cylinders[0], way*j.reach(), degPerS, j.plan.LimitDegS)
	if j.labels != nil {
		j.labels.end()
	}
	if err != nil {
		return err
	}
	if err := j.Rest(settleS); err != nil {
		return err
	}
	for _, c := range cylinders {
		if j.hooks.OnSweepDone == nil {
			continue
		}
		if err := j.hooks.OnSweepDone(j.Operator, c, int(way)); err != nil {
			return err
		}
	}
	return nil
}

// marks turns to each damper mark as often as the plan says, always in running
// direction.
func (j *job) marks() error {
	if len(j.plan.Marks) == 0 {
		return nil
	}
	for i := range j.bench.inds {
		if err := j.Withdraw(j.bench.inds[i].Name); err != nil {
			return err
		}
	}
	for _, m := range j.plan.Marks {
		for range max(1, j.plan.Presses) {
			err := j.do(j.TurnToMark(m, j.plan.ThroughDegS), j.told(func() error {
				if j.hooks.OnMark == nil {
					return nil
				}
				return j.hooks.OnMark(j.Operator, m)
			}))
			if err != nil {
				return err
			}
		}
	}
	return nil
}
