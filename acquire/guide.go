package acquire

import (
	"fmt"
	"math"
	"slices"
)

// sample is what the display showed at a moment.
type sample struct {
	atNS int64
	mm   float64
	raw  Reading
}

// guide leads through a calibration: it is fed what the display shows and says
// when that is the next point. It knows no port and no clock.
//
// It cannot know what the reference is set to. A point is the next one of the
// plan when the display stands near what it should show there: the reference
// plus the error at the nearest points taken. Until the first is taken, that
// holds only for a display that was zeroed at the reference's zero.
type guide struct {
	plan   []StandPoint
	taken  []StandTaken // the first of the plan
	take   string
	typed  bool // a person reads the display
	freely bool // nothing is asked of the side that it comes from: gauge blocks

	steadyNS int64
	nearMM   float64 // so near the display must be to what is expected; 0: by the distance of the points
	stepMM   float64 // of the display, 0: not known yet

	filter    [3]float64 // the last three, for a middle one
	heard     int
	came      approach
	still     settled
	lastNS    int64 // of the last point taken by a line
	state     string
	refused   *StandRefusal
	refusedMM float64 // where the display stood then
	sudden    *sample // a jump out of standing at the point taken last, until the next reading agrees
	before    sample  // the reading before
	moved     bool    // the display has moved since the last point
	away      *sample // what it showed before the indicator was away; nil: it was not, since the last point
}

// UsualSteadyS is how long a display must have stood before a point is taken, s.
const UsualSteadyS = 1.5

// Bounds of a guided calibration.
const (
	leastSteadyS = 0.5
	mostSteadyS  = 30.0
	usualBackMM  = 0.1  // no indicator loses so much when it turns round
	usualNearMM  = 0.05 // where points lie far apart: a hand that grips anew stops elsewhere
	nearShare    = 0.2  // of the smallest distance between two points
	leastNearMM  = 0.01
	overMM       = 0.004 // what a hand and a flickering digit may pass a point by
	loneFarMM    = 1.0   // where there is one point alone
	pressedNS    = 1000e6
	samePlaceMM  = 1e-6
	mostOfSpace  = 0.9
	mostSlope    = 0.05 // of the error
	stuckMM      = 0.2  // a display that jumps by this out of standing,
	stuckMMPerS  = 5.0  // faster than any hand turns: it had been stuck
)

func newGuide(plan []StandPoint, taken []StandTaken, take string, steadyS, withinMM float64) *guide {
	g := &guide{plan: plan, taken: slices.Clone(taken), take: take, steadyNS: int64(steadyS * 1e9), nearMM: withinMM}
	g.restart()
	return g
}

// restart forgets how the display came to where it is: the indicator was away.
func (g *guide) restart() {
	if last := g.before; last.atNS != 0 {
		g.away = &last
	}
	g.heard, g.came, g.still, g.refused, g.sudden, g.before, g.moved = 0, approach{}, settled{}, nil, nil, sample{}, true
	g.look()
}

// next is the point to be taken; nil: all are.
func (g *guide) next() *StandPoint {
	if len(g.taken) >= len(g.plan) {
		return nil
	}
	return &g.plan[len(g.taken)]
}

// expected is what the display should show at a place; known is false as long
// as nothing was taken and it is only hoped that it was zeroed there.
func (g *guide) expected(referenceMM float64) (mm float64, known bool) {
	one, ok := g.nearest(referenceMM, math.NaN())
	if !ok {
		return referenceMM, false
	}
	slope := 0.0
	if two, ok := g.nearest(referenceMM, one.ReferenceMM); ok {
		slope = (one.errorMM() - two.errorMM()) / (one.ReferenceMM - two.ReferenceMM)
	}
	slope = min(max(slope, -mostSlope), mostSlope)
	return referenceMM + one.errorMM() + slope*(referenceMM-one.ReferenceMM), true
}

// nearest is the point taken that lies nearest to a place, the latest of equals,
// those at but apart.
func (g *guide) nearest(referenceMM, but float64) (near StandTaken, ok bool) {
	best := math.Inf(1)
	for _, t := range slices.Backward(g.taken) {
		if d := math.Abs(t.ReferenceMM - referenceMM); d < best-samePlaceMM && !(math.Abs(t.ReferenceMM-but) <= samePlaceMM) {
			best, near, ok = d, t, true
		}
	}
	return near, ok
}

// tolerance is how far a point may be passed and still be come to from one side.
func (g *guide) tolerance() float64 { return max(overMM, 2.5*g.stepMM) }

// back is how far away the display must have been.
func (g *guide) back(of StandPoint) float64 {
	space := g.space(of)
	return min(max(min(usualBackMM, space/2), 3*g.tolerance()), mostOfSpace*space)
}

// What a reading means to a guide.
type meaning int

const (
	meansNothing meaning = iota
	meansPoint           // the reading returned is the next point
	meansStuck           // the last point was none: the display had been stuck
)

// feed takes what the display shows.
func (g *guide) feed(s sample) (x sample, m meaning) {
	if g.take == TakeLine {
		return g.line(s)
	}
	if g.before.atNS != 0 && s.atNS-g.before.atNS > stillGapNS {
		g.restart() // who knows what it did meanwhile
	}
	stuck := g.wasStuck(s)
	g.filter[g.heard%3] = s.mm
	if g.heard++; g.heard >= 3 {
		g.came.add(middle(g.filter))
	}
	g.still.add(s, g.band())
	g.look()
	switch {
	case stuck:
		return x, meansStuck
	case g.state != StandHold || g.take != TakeSteady || g.still.forNS() < g.steadyNS || g.still.creeps(g.tolerance()/2):
		return x, meansNothing
	case g.still.jumps():
		g.refuse(RefusedJumps, "single readings jump while the display stands", "check its cable and its supply; a key takes the point all the same")
		return x, meansNothing
	}
	return g.still.median(), meansPoint
}

// band is how much a display that stands may flicker.
func (g *guide) band() float64 { return max(steadyMM, 2.5*g.stepMM) }

func middle(v [3]float64) float64 {
	return max(min(v[0], v[1]), min(max(v[0], v[1]), v[2]))
}

// look says what is to be done, from what was shown up to now.
func (g *guide) look() {
	next := g.next()
	switch {
	case next == nil:
		g.state, g.refused = StandComplete, nil
		return
	case g.typed:
		g.state = StandPress
		return
	case g.take == TakeLine || g.still.empty():
		g.state = StandTurn
		return
	}
	e, known := g.expected(next.ReferenceMM)
	at, stands := g.still.median().mm, g.still.forNS() >= steadyForNS
	switch near := math.Abs(at-e) <= g.within(*next); {
	case stands && near:
		g.atPoint(*next, at)
	case stands && !known && g.sideOf(*next, at) == nil:
		g.state, g.refused = StandPress, nil // it was not zeroed: only a person can tell
	case (known || g.refused != nil) && g.cameTo(*next, g.aim(*next), g.within(*next)+g.tolerance()) != cameRight:
		g.state = StandBack
	default:
		if g.state = StandTurn; g.refused != nil && g.refused.Reason != RefusedFar {
			g.refused = nil
		}
	}
	if stands && g.state == StandTurn && g.refused == nil {
		g.advise(at)
	}
}

// atPoint: the display stands near the next point.
func (g *guide) atPoint(next StandPoint, at float64) {
	if why := g.sideOf(next, at); why != nil {
		g.goBack(why, at)
		return
	}
	if g.refused != nil && g.refused.Reason != RefusedJumps {
		g.refused = nil
	}
	if g.state = StandHold; g.take == TakeCall {
		g.state = StandPress
	}
}

func (g *guide) refuse(reason, detail, fix string) *StandRefusal {
	g.refused = &StandRefusal{reason, detail, fix}
	return g.refused
}

// line takes a line that was sent at a press: it is the next point, unless it
// cannot be.
func (g *guide) line(s sample) (x sample, m meaning) {
	again := g.lastNS != 0 && s.atNS-g.lastNS < pressedNS
	switch {
	case g.next() == nil:
		return x, meansNothing
	case again:
		g.refuse(RefusedAgain, "two readings within a second: the second one is not taken", "press once at each point")
		return x, meansNothing
	case g.far(s.mm) != nil:
		return x, meansNothing
	}
	g.lastNS = s.atNS
	return s, meansPoint
}

// far refuses what cannot be the next point: it is nearer to another one.
func (g *guide) far(mm float64) *StandRefusal {
	next := g.next()
	e, known := g.expected(next.ReferenceMM)
	if !known {
		return nil
	}
	if most := min(loneFarMM, g.space(*next)/2); math.Abs(mm-e) <= max(most, g.within(*next)) {
		return nil
	}
	return g.refuse(RefusedFar, fmt.Sprintf("the display shows %.3f, and about %.3f is expected at %g mm", mm, e, next.ReferenceMM),
		"set the reference to the point; if the point before was wrong, take that back")
}

// press takes what the display shows because somebody says that it is the point.
func (g *guide) press() (x sample, why *StandRefusal) {
	next, x := g.next(), g.still.median()
	if why := g.far(x.mm); why != nil {
		return x, why
	}
	if why = g.sideOf(*next, x.mm); why != nil {
		g.goBack(why, x.mm)
	}
	return x, why
}

// took notes that the next point was taken.
func (g *guide) took(t StandTaken) {
	g.taken = append(slices.Clip(g.taken), t)
	g.came.begin(t.ReadingMM)
	g.refused, g.moved, g.sudden, g.away = nil, false, nil, nil
	g.look()
}

// takeBack leaves the last point out: it must be come to anew.
func (g *guide) takeBack() (t StandTaken, ok bool) {
	n := len(g.taken)
	if n == 0 {
		return t, false
	}
	t, g.taken = g.taken[n-1], slices.Clone(g.taken[:n-1])
	g.refused, g.lastNS, g.moved = nil, 0, true
	g.came.again()
	g.still = settled{}
	g.look()
	return t, true
}
