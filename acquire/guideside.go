package acquire

import (
	"fmt"
	"math"
)

// space is how far a point lies from the nearest other place of the plan, mm;
// +Inf: there is none.
func (g *guide) space(of StandPoint) float64 {
	least := math.Inf(1)
	for _, p := range g.plan {
		if d := math.Abs(p.ReferenceMM - of.ReferenceMM); d > samePlaceMM {
			least = min(least, d)
		}
	}
	return least
}

// within is how near to what is expected the display must stand at a point.
func (g *guide) within(of StandPoint) float64 {
	if g.nearMM > 0 {
		return g.nearMM
	}
	return max(leastNearMM, min(usualNearMM, nearShare*g.space(of)))
}

// sameAsBefore tells that a point lies where the last one was taken.
func (g *guide) sameAsBefore(next StandPoint) bool {
	n := len(g.taken)
	return n > 0 && math.Abs(g.taken[n-1].ReferenceMM-next.ReferenceMM) <= samePlaceMM
}

// cameTo is how the display came to where a point is, or is expected.
func (g *guide) cameTo(next StandPoint, at, over float64) int {
	switch {
	case !g.freely:
		return g.came.from(next.rising(), at, over, g.back(next))
	case g.sameAsBefore(next) && !g.came.left(at, g.back(next)):
		return cameUnknown
	}
	return cameRight
}

// backTo is what the display must show before a point that is at, or expected
// at, at may be come to.
func (g *guide) backTo(next StandPoint, at float64) float64 {
	if next.rising() {
		return at - g.back(next)
	}
	return at + g.back(next)
}

// aim is what the display should show at a point that is to be come to again:
// what it showed there when it was refused, else what is expected.
func (g *guide) aim(next StandPoint) float64 {
	if r := g.refused; r != nil && (r.Reason == RefusedOvershot || r.Reason == RefusedApproach || r.Reason == RefusedNotLeft) {
		return g.refusedMM
	}
	mm, _ := g.expected(next.ReferenceMM)
	return mm
}

// goBack refuses a display that stands at at: the point must be come to again.
func (g *guide) goBack(why *StandRefusal, at float64) {
	g.state, g.refused, g.refusedMM = StandBack, why, at
}

// sideOf says what is wrong with how the display came to a point; nil: nothing.
func (g *guide) sideOf(next StandPoint, at float64) *StandRefusal {
	came := g.cameTo(next, at, g.tolerance()+g.still.flicker(next.rising()))
	side, way := "below", "up"
	if !next.rising() {
		side, way = "above", "down"
	}
	again := fmt.Sprintf("go back until the display shows %.3f, then come %s to the point again", g.backTo(next, at), way)
	switch {
	case came == cameRight:
		return nil
	case came == cameBack:
		return &StandRefusal{RefusedOvershot, fmt.Sprintf("the display was %.3f mm beyond and came back: that hides what the indicator loses when it turns round",
			g.came.beyond(next.rising(), at, g.back(next))), again}
	case g.freely:
		return &StandRefusal{RefusedNotLeft, notLeft, fmt.Sprintf("lift the plunger by %.3f mm at least and let it down again", g.back(next))}
	case g.sameAsBefore(next):
		return &StandRefusal{RefusedNotLeft, notLeft, again}
	}
	return &StandRefusal{RefusedApproach, "nobody saw the display come from " + side, again}
}

const notLeft = "the display has not left the point since it was taken"

// advise says what only a person can judge of a display that stands, not at the
// next point: it was taken while the hand only paused, or it has another zero.
func (g *guide) advise(at float64) {
	n := len(g.taken)
	if n == 0 {
		return
	}
	if g.away != nil && math.Abs(at-g.away.mm) > g.band() {
		g.refuse(RefusedZero, fmt.Sprintf("the indicator was away: it showed %.3f before and shows %.3f now", g.away.mm, at),
			"if only the reference was turned, go on; if the display lost its zero, end this calibration and begin another")
		return
	}
	last := g.taken[n-1]
	if off := math.Abs(at - last.ReadingMM); off > g.tolerance()+g.still.flicker(true) && off <= g.within(last.StandPoint) {
		g.refuse(RefusedWentOn, fmt.Sprintf("the display went on by %.3f mm since the point at %g mm was taken", off, last.ReferenceMM),
			"if that was too early, take it back and come to it again")
	}
}

// wasStuck tells that the display stood at the point taken last and then jumped
// to elsewhere, faster than a hand: it had not followed the plunger there.
func (g *guide) wasStuck(s sample) bool {
	last, before := g.taken, g.before
	g.before = s
	if g.freely || g.take != TakeSteady || g.moved || len(last) == 0 || before.atNS == 0 {
		return false
	}
	at := last[len(last)-1].ReadingMM
	far := func(x sample) bool { return math.Abs(x.mm-at) > stuckMM }
	if first := g.sudden; first != nil {
		g.sudden = nil
		g.moved = far(s)
		return g.moved && math.Abs(s.mm-first.mm) < math.Abs(first.mm-at)
	}
	if dt := float64(s.atNS-before.atNS) / 1e9; far(s) && math.Abs(s.mm-before.mm) > max(stuckMM, stuckMMPerS*dt) {
		g.sudden = &s
		return false
	}
	g.moved = math.Abs(s.mm-at) > g.band()
	return false
}
