package virtual

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
)

// Script is what the person at the bench does. It returns the first error of
// the operator's or its own.
type Script func(*Operator) error

// Operator is the person at the bench. Every method that takes virtual time
// ends early with the context's error when the run is over. Everything is done
// in one goroutine; while a script's own code runs, virtual time stands still.
type Operator struct {
	ctx    context.Context
	bench  *bench
	rng    *rand.Rand
	ports  ports // nil: no real ports
	labels labels
	pacer  *pacer // nil: no wall clock
}

// labels hears what a sweep is when it begins and ends.
type labels interface {
	begin(cylinders []int)
	end()
}

// ports are the bench's real ports, where there are any.
type ports interface {
	unplug(port string) error
	replug(port string) error
	garbage(port string, raw []byte) error
	press(instrument string) error
}

const (
	tickS     = 0.001
	nearDeg   = 0.002 // the hand stops this near to where it wanted
	creepDegS = 0.4   // slowest on arrival
)

// anySpeed is no limit on the hand's speed, in °/s.
func anySpeed() Range { return Range{0, math.Inf(1)} }

func newOperator(ctx context.Context, b *bench) *Operator {
	return &Operator{ctx: ctx, bench: b, rng: stream(b.truth.Seed, "hand")}
}

// Context is the run's context, for a script's own calls.
func (o *Operator) Context() context.Context { return o.ctx }

// Truth is the bench behind it all.
func (o *Operator) Truth() Truth { return o.bench.truth }

// Seconds is the virtual time since switch-on.
func (o *Operator) Seconds() float64 { return o.bench.now }

// AfterTopDeg is how far the crank stands after a cylinder's real top, in
// (−180, 180]; NaN for a cylinder that the engine does not have.
func (o *Operator) AfterTopDeg(cylinder int) float64 {
	c, ok := o.bench.truth.Engine.cylinder(cylinder)
	if !ok {
		return math.NaN()
	}
	return foldHalf(o.bench.crank.angleDeg - o.bench.truth.topDeg(c))
}

// Rest lets seconds pass, hands off.
func (o *Operator) Rest(seconds float64) error {
	for end := o.bench.now + seconds; o.bench.now < end; {
		if err := o.step(min(tickS*10, end-o.bench.now), 0); err != nil {
			return err
		}
	}
	return nil
}

func (o *Operator) step(seconds, deg float64) error {
	if err := o.ctx.Err(); err != nil {
		return err
	}
	if o.pacer != nil {
		o.pacer.resume()
		defer o.pacer.pause()
	}
	return o.bench.advance(seconds, deg)
}

// Turn turns the crank by deg (negative: against running direction) at about
// degPerS, unevenly as a hand does.
func (o *Operator) Turn(deg, degPerS float64) error {
	return o.travel(deg, degPerS, anySpeed())
}

// travel turns by deg at about degPerS, never slower or faster than limit (°/s) between start and stop.
func (o *Operator) travel(deg, degPerS float64, limit Range) error {
	if !(degPerS > 0) {
		return fmt.Errorf("virtual bench: turning at %g °/s: give a speed above zero; the sign belongs to the angle", degPerS)
	}
	if !(limit.Hi > 0) {
		limit = anySpeed()
	}
	way, target := math.Copysign(1, deg), o.bench.crank.angleDeg+deg
	mood := newMood(o.rng, o.bench.truth.Hand.Unevenness)
	accel, v := max(40, 2*degPerS), 0.0
	for {
		left := (target - o.bench.crank.angleDeg) * way
		if left <= nearDeg {
			return nil
		}
		want := min(max(degPerS*mood.factor(tickS), limit.Lo), limit.Hi)
		want = min(want, max(creepDegS, math.Sqrt(2*accel*left)))
		v += min(max(want-v, -2*accel*tickS), accel*tickS)
		if err := o.step(tickS, way*min(v*tickS, left)); err != nil {
			return err
		}
	}
}

// mood is the unevenness of a hand: two slow swings and a drift.
type mood struct {
	rng                   *rand.Rand
	share, drift, t       float64
	hz1, hz2, turn, turn2 float64
}

func newMood(rng *rand.Rand, share float64) *mood {
	return &mood{rng: rng, share: share, hz1: Range{0.12, 0.35}.draw(rng), hz2: Range{0.4, 0.9}.draw(rng),
		turn: Range{0, 2 * math.Pi}.draw(rng), turn2: Range{0, 2 * math.Pi}.draw(rng)}
}

func (m *mood) factor(dt float64) float64 {
	m.t += dt
	m.drift += -m.drift*dt + math.Sqrt(dt)*m.rng.NormFloat64() // reverts within about a second
	swing := math.Sin(2*math.Pi*m.hz1*m.t+m.turn) + 0.6*math.Sin(2*math.Pi*m.hz2*m.t+m.turn2) + 0.6*m.drift
	return min(max(1+m.share*swing, 0.35), 2)
}

// TurnTo turns in running direction to afterTopDeg after the cylinder's next
// top (negative: before it). Withdraw the probes first.
func (o *Operator) TurnTo(cylinder int, afterTopDeg, degPerS float64) error {
	if _, ok := o.bench.truth.Engine.cylinder(cylinder); !ok {
		return fmt.Errorf("virtual bench: cylinder %d: the engine has no such cylinder", cylinder)
	}
	return o.Turn(fold(afterTopDeg-o.AfterTopDeg(cylinder)), degPerS)
}

// TurnToMark turns in running direction until a damper mark (degrees, negative
// before the top) stands under the pointer, as well as an eye can tell.
func (o *Operator) TurnToMark(markDeg, degPerS float64) error {
	t := o.bench.truth
	ref, _ := t.Engine.cylinder(t.Engine.Reference) // checked by newBench
	at := t.topDeg(ref) + markDeg - t.Damper.MarkErrorDeg + t.Damper.ReadUDeg*o.rng.NormFloat64()
	return o.Turn(fold(at-o.bench.crank.angleDeg), degPerS)
}

// sweepTo turns to afterTopDeg of a cylinder, either way, gripping the bar
// anew where the hand's habits want it.
func (o *Operator) sweepTo(cylinder int, afterTopDeg, degPerS float64, limit Range) error {
	from := o.AfterTopDeg(cylinder)
	way := math.Copysign(1, afterTopDeg-from)
	hand := o.bench.truth.Hand
	toss, place := o.rng.Float64(), o.rng.Float64()
	if span := math.Abs(afterTopDeg-from)/2 - 3; toss < hand.RegripShare && span > hand.RegripClearDeg {
		at := hand.RegripClearDeg + place*(span-hand.RegripClearDeg)
		if toss < hand.RegripShare/2 {
			at = -at
		}
		if err := o.travel(at-from, degPerS, limit); err != nil {
			return err
		}
		if err := o.regrip(way); err != nil {
			return err
		}
	}
	return o.travel(afterTopDeg-o.AfterTopDeg(cylinder), degPerS, limit)
}

// regrip lets the bar go and takes it again: the crank springs back a little,
// waits, and may sit a little higher or lower in its bearings afterwards.
func (o *Operator) regrip(way float64) error {
	hand := o.bench.truth.Hand
	back, pause := hand.SpringBackDeg.draw(o.rng), hand.PauseS.draw(o.rng)
	o.bench.crank.liftMM += hand.RegripStepMM * o.rng.NormFloat64()
	if back > 2*nearDeg {
		if err := o.travel(-way*back, 1, anySpeed()); err != nil {
			return err
		}
	}
	return o.Rest(pause)
}

// Withdraw takes an indicator's probe off its piston: the display falls to its
// resting stop.
func (o *Operator) Withdraw(indicator string) error {
	i, err := o.indicator(indicator)
	if err == nil {
		o.bench.probes[i].placed, o.bench.onCylinder[i], o.bench.heads[i] = false, 0, nil
	}
	return err
}

// Stand places an indicator on a cylinder's piston and zeroes its display: a
// new setup and a new zeroing.
func (o *Operator) Stand(indicator string, cylinder int) error {
	i, err := o.indicator(indicator)
	if err != nil {
		return err
	}
	b := o.bench
	c, ok := b.truth.Engine.cylinder(cylinder)
	if !ok {
		return fmt.Errorf("virtual bench: cylinder %d: the engine has no such cylinder", cylinder)
	}
	s := b.truth.Setups[b.setups%len(b.truth.Setups)]
	b.setups++
	b.probes[i].place(&b.crank, s, b.truth.Engine.slider(c), b.truth.topDeg(c), b.now)
	b.onCylinder[i], b.inSetup[i], b.heads[i] = cylinder, b.setups, nil
	return nil
}

func (o *Operator) indicator(name string) (int, error) {
	for i := range o.bench.inds {
		if o.bench.inds[i].Name == name {
			return i, nil
		}
	}
	return 0, fmt.Errorf("virtual bench: indicator %q: the bench has no such indicator", name)
}
