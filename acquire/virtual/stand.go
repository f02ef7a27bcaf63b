package virtual

import (
	"errors"
	"fmt"
	"math"
)

// Head is how indicators are held against the virtual micrometer head. Its
// scale is true; what is not is the hand that sets it.
type Head struct {
	PreloadMM      float64 // how far the plunger is pressed in where the head says 0
	SetUMM         float64 // how well a hand sets it: standard deviation
	SpeedMMPerS    float64 // on the way
	BackMM         float64 // how far a hand goes back to come anew
	OvershootShare float64 // that often a hand passes the point a little and comes back, which it should not …
	OvershootMM    Range   // … and by how much
}

// DefaultHead is a head that is set to 0.3 µm by a hand that passes the point
// every tenth time.
func DefaultHead() Head {
	return Head{PreloadMM: 0.3, SetUMM: 0.0003, SpeedMMPerS: 1.5, BackMM: 0.25, OvershootShare: 0.1, OvershootMM: Range{0.015, 0.04}}
}

// headStand is an indicator on the head. Its display was zeroed on the plunger's
// resting stop.
type headStand struct {
	Head
	atMM   float64 // what the head says
	rising int     // which way it was turned last: +1, −1, 0 not yet
	restMM float64 // what the plunger would show at its stop
}

// placeMM is how far the plunger is pressed in.
func (h *headStand) placeMM() float64 { return max(0, h.PreloadMM+h.atMM) }

// ToStand takes an indicator off the engine and puts it on the head, which
// stands clear of its plunger.
func (o *Operator) ToStand(indicator string, head Head) error {
	if !(head.SpeedMMPerS > 0) || !(head.BackMM > 0) || head.PreloadMM < 0 {
		return fmt.Errorf("virtual bench: a head at %g mm/s, %g mm back, %g mm of preload: give speed and way back above 0", head.SpeedMMPerS, head.BackMM, head.PreloadMM)
	}
	if err := o.Withdraw(indicator); err != nil {
		return err
	}
	i, err := o.indicator(indicator)
	if err != nil {
		return err
	}
	h := &headStand{Head: head, atMM: -head.PreloadMM - head.BackMM}
	o.bench.inds[i].plunger.MoveTo(1) // it falls back to its stop
	h.restMM = o.bench.inds[i].plunger.MoveTo(0)
	o.bench.heads[i] = h
	return nil
}

// OnStand tells whether an indicator is on the head.
func (o *Operator) OnStand(indicator string) bool {
	i, err := o.indicator(indicator)
	return err == nil && o.bench.heads[i] != nil
}

// HeadTo sets the head to referenceMM, coming from below or from above. anew
// has it gone back first even where it stands there already.
func (o *Operator) HeadTo(indicator string, referenceMM float64, fromBelow, anew bool) error {
	i, err := o.indicator(indicator)
	if err != nil {
		return err
	}
	h := o.bench.heads[i]
	if h == nil {
		return errors.New("virtual bench: indicator " + indicator + " is not on the head: ToStand it first")
	}
	way := -1.0
	if fromBelow {
		way = 1
	}
	there := math.Abs(h.atMM-referenceMM) < 5*h.SetUMM+1e-6
	switch {
	case there && h.rising == int(way) && !anew:
		return nil
	case anew || way*(referenceMM-h.atMM) < h.BackMM/4:
		if err := o.turnHead(i, referenceMM-way*h.BackMM); err != nil {
			return err
		}
	}
	if !anew && o.rng.Float64() < h.OvershootShare {
		if err := o.turnHead(i, referenceMM+way*h.OvershootMM.draw(o.rng)); err != nil {
			return err
		}
	}
	return o.turnHead(i, referenceMM+h.SetUMM*o.rng.NormFloat64())
}

// turnHead turns the head to a place, slower as it comes near.
func (o *Operator) turnHead(i int, toMM float64) error {
	const slowMM, nearMM, startMMPerS2 = 0.1, 1e-6, 5.0
	h, mood := o.bench.heads[i], newMood(o.rng, o.bench.truth.Hand.Unevenness)
	way, fastest := math.Copysign(1, toMM-h.atMM), 0.0
	for {
		left := (toMM - h.atMM) * way
		if left <= nearMM {
			h.atMM = toMM
			o.bench.inds[i].plunger.MoveTo(h.placeMM())
			return nil
		}
		fastest += startMMPerS2 * tickS
		v := min(fastest, h.SpeedMMPerS*mood.factor(tickS)*min(1, max(left/slowMM, 0.05)))
		h.atMM += way * min(v*tickS, left)
		h.rising = int(way)
		o.bench.inds[i].plunger.MoveTo(h.placeMM())
		if err := o.step(tickS, 0); err != nil {
			return err
		}
	}
}

// onHead is what the display of an indicator on the head shows, without noise
// and steps.
func (b *bench) onHead(i int) float64 {
	h := b.heads[i]
	return b.inds[i].plunger.MoveTo(h.placeMM()) - h.restMM
}
