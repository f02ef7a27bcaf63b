package acquire

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// hand moves what a display shows and tells a guide of it, in its own time.
type hand struct {
	*testing.T
	g     *guide
	at    float64 // mm, before steps
	ns    int64
	eachS float64
	step  float64
	spoil func(n int, mm float64) float64 // what the display makes of it
	n     int
	log   []string // what the guide made of it
	after func()   // each showing
}

func newHand(t *testing.T, g *guide, at float64) *hand {
	return &hand{T: t, g: g, at: at, eachS: 0.04, step: 0.001, ns: 1}
}

func (h *hand) show() {
	h.ns += int64(h.eachS * 1e9)
	h.n++
	mm := h.at
	if h.spoil != nil {
		mm = h.spoil(h.n, mm)
	}
	mm = math.Round(mm/h.step) * h.step
	h.g.stepMM = h.step
	x, m := h.g.feed(sample{atNS: h.ns, mm: mm})
	switch m {
	case meansPoint:
		p := *h.g.next()
		h.log = append(h.log, fmt.Sprintf("%s %g=%.3f", p.Direction, p.ReferenceMM, x.mm))
		h.g.took(StandTaken{StandPoint: p, ReadingMM: x.mm})
	case meansStuck:
		h.g.takeBack()
		h.log = append(h.log, "back")
	}
	if h.after != nil {
		h.after()
	}
}

// to turns to a display value, at 0.5 mm/s.
func (h *hand) to(mm float64) *hand {
	for way := math.Copysign(1, mm-h.at); h.at != mm; h.show() {
		if h.at += way * 0.5 * h.eachS; way*(h.at-mm) > 0 {
			h.at = mm
		}
	}
	return h.hold(2.5 * h.eachS)
}

func (h *hand) hold(seconds float64) *hand {
	for range int(seconds / h.eachS) {
		h.show()
	}
	return h
}

// stands is to a value and long enough there.
func (h *hand) stands(mm ...float64) *hand {
	for _, v := range mm {
		h.to(v).hold(2.5)
	}
	return h
}

func (h *hand) press() string {
	if !(h.g.still.forNS() >= steadyForNS) {
		return "unsteady"
	}
	x, why := h.g.press()
	if why != nil {
		return why.Reason
	}
	h.g.took(StandTaken{StandPoint: *h.g.next(), ReadingMM: x.mm})
	return "taken"
}

// want checks what was taken, the state and the standing refusal.
func (h *hand) want(state, reason string, log ...string) {
	h.Helper()
	got := ""
	if h.g.refused != nil {
		got = h.g.refused.Reason
	}
	if h.g.state != state || got != reason || !slices.Equal(h.log, log) {
		h.Errorf("state %q, refused %q, took %q; want %q, %q, %q", h.g.state, got, h.log, state, reason, log)
	}
}

func points(text string) (plan []StandPoint) {
	for _, f := range strings.Fields(text) {
		p := StandPoint{Run: 1, Direction: map[byte]string{'u': StandUp, 'd': StandDown, 'r': StandRepeat}[f[0]]}
		fmt.Sscan(f[1:], &p.ReferenceMM)
		plan = append(plan, p)
	}
	return plan
}

const upAndDown = "u0 u1 u2 d2 d1 d0 r1 r1"

// A hand leads a display through a plan; what is taken and refused.
func TestGuide(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, plan string
		start      float64
		set        func(*guide)
		do         func(*hand)
		state      string
		reason     string
		log        []string
	}{
		{name: "nothing moves: a display that stands at the first point is not taken", plan: upAndDown,
			do: func(h *hand) { h.hold(5) }, state: StandBack, reason: RefusedApproach},
		{name: "the whole plan", plan: upAndDown,
			do: func(h *hand) {
				h.to(-0.3).stands(0, 1.002, 2.004).to(2.4).stands(2.005, 1.005, 0.003).stands(1.002).to(0.7).stands(1.003)
			}, state: StandComplete,
			log: []string{"up 0=0.000", "up 1=1.002", "up 2=2.004", "down 2=2.005", "down 1=1.005", "down 0=0.003", "repeat 1=1.002", "repeat 1=1.003"}},
		{name: "near, but not for long enough", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).to(0).hold(1).to(0.1).to(0.1).hold(0.1) }, state: StandTurn},
		{name: "passed and come back", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0).to(1.02).stands(1.0) }, state: StandBack, reason: RefusedOvershot, log: []string{"up 0=0.000"}},
		{name: "passed, gone back a little only", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0).to(1.02).to(0.95).stands(1.0) }, state: StandBack, reason: RefusedOvershot, log: []string{"up 0=0.000"}},
		{name: "passed, gone back as told", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0).to(1.02).stands(1.0).to(0.79).stands(1.001) }, state: StandTurn, log: []string{"up 0=0.000", "up 1=1.001"}},
		{name: "passed by what a hand and a digit may", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0).to(1.003).stands(1.0) }, state: StandTurn, log: []string{"up 0=0.000", "up 1=1.000"}},
		{name: "far beyond: told before it stands", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0).to(1.5) }, state: StandBack, log: []string{"up 0=0.000"}},
		{name: "passed on the way down", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0, 1, 2).to(2.3).stands(2.0).to(0.97).stands(1.0) }, state: StandBack, reason: RefusedOvershot,
			log: []string{"up 0=0.000", "up 1=1.000", "up 2=2.000", "down 2=2.000"}},
		{name: "turning round: the same place from the other side", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0, 1, 2).hold(10).to(2.06).stands(2.0) }, state: StandBack, reason: RefusedNotLeft,
			log: []string{"up 0=0.000", "up 1=1.000", "up 2=2.000"}},
		{name: "a repeat wants to be left", plan: "u0 r0 r0",
			do: func(h *hand) { h.to(-0.3).stands(0).hold(10) }, state: StandBack, reason: RefusedNotLeft, log: []string{"up 0=0.000"}},
		{name: "a repeat is left and come to", plan: "u0 r0 r0",
			do: func(h *hand) { h.to(-0.3).stands(0).to(-0.25).stands(0.001).to(-0.06).stands(0) }, state: StandBack, reason: RefusedNotLeft, log: []string{"up 0=0.000", "repeat 0=0.001"}},
		{name: "a repeat left to the wrong side", plan: "u0 r0 r0",
			do: func(h *hand) { h.to(-0.3).stands(0).to(0.3).stands(0) }, state: StandBack, reason: RefusedOvershot, log: []string{"up 0=0.000"}},
		{name: "two per cent of scale are followed", plan: "u0 u1 u2 u9",
			do: func(h *hand) { h.to(-0.3).stands(0, 1.02, 2.04, 9.18) }, state: StandComplete, log: []string{"up 0=0.000", "up 1=1.020", "up 2=2.040", "up 9=9.180"}},
		{name: "a pause on the way is no point", plan: "u0 u5 u10",
			do: func(h *hand) { h.to(-0.3).stands(0, 2.5, 4.7) }, state: StandTurn, log: []string{"up 0=0.000"}},
		{name: "taken while the hand only gripped anew", plan: "u0 u1 u2",
			do: func(h *hand) { h.to(-0.3).stands(0, 0.97, 1.0) }, state: StandTurn, reason: RefusedWentOn, log: []string{"up 0=0.000", "up 1=0.970"}},
		{name: "a display that was not zeroed: the first point by a person", plan: "u0 u1",
			start: 3, do: func(h *hand) {
				h.to(3.3).hold(3)
				h.want(StandPress, "")
				h.log = append(h.log, h.press())
				h.stands(4.3)
			}, state: StandComplete, log: []string{"taken", "up 1=4.300"}},
		{name: "pressed where it stood already, not zeroed: one way back", plan: "u5",
			start: 5.3, do: func(h *hand) {
				h.log = append(h.log, h.hold(3).press())
				h.to(5.25).want(StandBack, RefusedApproach, h.log...)
				h.to(5.15).want(StandTurn, "", h.log...)
				h.stands(5.3)
			}, state: StandPress, log: []string{RefusedApproach}},
		{name: "a press at another point", plan: "u0 u1 u2",
			do: func(h *hand) { h.to(-0.3).stands(0).stands(2); h.log = append(h.log, h.press()) }, state: StandBack, reason: RefusedFar, log: []string{"up 0=0.000", RefusedFar}},
		{name: "a press where the point was passed", plan: "u0 u1 u2",
			do: func(h *hand) { h.to(-0.3).stands(0).to(1.1).stands(1); h.log = append(h.log, h.press()) }, state: StandBack, reason: RefusedOvershot,
			log: []string{"up 0=0.000", RefusedOvershot}},
		{name: "only when told", plan: "u0 u1", set: func(g *guide) { g.take = TakeCall },
			do: func(h *hand) { h.to(-0.3).stands(0).hold(9) }, state: StandPress},
		{name: "a display that hangs gives no point", plan: upAndDown,
			do: func(h *hand) { h.to(-0.3).stands(0).hold(20) }, state: StandTurn, log: []string{"up 0=0.000"}},
		{name: "one that hung while the hand went on", plan: "u0 u1 u2",
			do: func(h *hand) {
				h.to(-0.3)
				h.stands(0)
				hung := 0.96
				h.spoil = func(_ int, mm float64) float64 {
					if mm < 1.9 {
						return min(mm, hung)
					}
					return mm
				}
				h.to(1.0).hold(2).to(2.0)
			}, state: StandBack, log: []string{"up 0=0.000", "up 1=0.960", "back"}},
		{name: "single readings gone wrong change nothing", plan: "u0 u1", do: func(h *hand) {
			h.spoil = func(n int, mm float64) float64 {
				if n%23 == 0 {
					return mm + 4.2
				}
				return mm
			}
			h.to(-0.3).stands(0, 1)
		}, state: StandComplete, log: []string{"up 0=0.000", "up 1=1.000"}},
		{name: "a lone wrong reading at the next point is none", plan: "u0 u1", do: func(h *hand) {
			h.to(-0.3).stands(0)
			h.spoil = func(n int, mm float64) float64 { return map[bool]float64{true: 1, false: mm}[n%3 == 0] }
			h.hold(5)
		}, state: StandTurn, log: []string{"up 0=0.000"}},
		{name: "a display that jumps all the time is not taken", plan: "u0 u1", do: func(h *hand) {
			h.to(-0.3).stands(0).to(1)
			h.spoil = func(n int, mm float64) float64 { return mm + map[bool]float64{true: 0.7, false: 0}[n%5 == 0] }
			h.hold(8)
		}, state: StandHold, reason: RefusedJumps, log: []string{"up 0=0.000"}},
		{name: "a display that creeps is not taken", plan: "u0 u1", do: func(h *hand) {
			h.to(-0.3).stands(0).to(0.98)
			h.spoil = func(n int, mm float64) float64 { return mm + 0.00016*float64(n-90) }
			h.hold(5)
		}, state: StandHold, log: []string{"up 0=0.000"}},
		{name: "coarse display", plan: "u0 u1 d1 d0", do: func(h *hand) {
			h.step = 0.01
			h.to(-0.3).stands(0.004, 1.006).to(1.5).stands(1.0, 0.0)
		}, state: StandComplete, log: []string{"up 0=0.000", "up 1=1.010", "down 1=1.000", "down 0=0.000"}},
		{name: "close points", plan: "u0 u0.1 u0.2 d0.1", do: func(h *hand) { h.to(-0.1).stands(0, 0.1, 0.201, 0.102) }, state: StandComplete,
			log: []string{"up 0=0.000", "up 0.1=0.100", "up 0.2=0.201", "down 0.1=0.102"}},
		{name: "blocks: the plunger is let down on them", plan: "u0 u1 r1", set: func(g *guide) { g.freely = true },
			do: func(h *hand) {
				h.stands(0).to(3).stands(1).hold(9)
				h.want(StandBack, RefusedNotLeft, h.log...)
				h.to(3).stands(1.001)
			}, state: StandComplete,
			log: []string{"up 0=0.000", "up 1=1.000", "repeat 1=1.001"}},
		{name: "silent for long: nobody knows how it came", plan: "u0 u1", do: func(h *hand) { h.to(-0.3).stands(0).to(1.0); h.ns += 6e9; h.hold(4) },
			state: StandBack, reason: RefusedApproach, log: []string{"up 0=0.000"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := newGuide(points(c.plan), nil, TakeSteady, 1.5, 0)
			if c.set != nil {
				c.set(g)
			}
			h := newHand(t, g, c.start)
			h.show()
			c.do(h)
			h.want(c.state, c.reason, c.log...)
		})
	}
}

// Points that were taken are not asked for again; what is taken back must be
// come to anew.
func TestGuideGoesOn(t *testing.T) {
	t.Parallel()
	plan := points("u0 u1 u2")
	g := newGuide(plan, []StandTaken{{StandPoint: plan[0], ReadingMM: 0.5}}, TakeSteady, 1.5, 0)
	h := newHand(t, g, 0.5)
	h.stands(1.5)
	h.want(StandTurn, "", "up 1=1.500")
	if back, ok := g.takeBack(); !ok || back.ReferenceMM != 1 {
		t.Errorf("took back %+v", back)
	}
	h.hold(5)
	h.want(StandBack, RefusedApproach, "up 1=1.500")
	h.to(1.2).stands(1.501, 2.5)
	h.want(StandComplete, "", "up 1=1.500", "up 1=1.501", "up 2=2.500")
	for range 3 {
		g.takeBack()
	}
	if _, ok := g.takeBack(); ok || len(g.taken) != 0 {
		t.Error("something was left to take back")
	}
}

// A pedal: each line is a point, unless it cannot be.
func TestGuidePedal(t *testing.T) {
	t.Parallel()
	g := newGuide(points("u0 u0.5 r0.5 r0.5"), nil, TakeLine, 1.5, 0)
	h := newHand(t, g, 0)
	press := func(mm, afterS float64) {
		h.at = mm
		h.ns += int64(afterS * 1e9)
		h.show()
	}
	press(7, 3)
	press(7, 0.2)
	h.want(StandTurn, RefusedAgain, "up 0=7.000")
	press(7.9, 3)
	h.want(StandTurn, RefusedFar, "up 0=7.000")
	press(7.502, 3)
	press(7.503, 2)
	press(7.503, 0.5)
	h.want(StandTurn, RefusedAgain, "up 0=7.000", "up 0.5=7.502", "repeat 0.5=7.503")
	press(7.503, 2)
	press(7.503, 2)
	h.want(StandComplete, "", "up 0=7.000", "up 0.5=7.502", "repeat 0.5=7.503", "repeat 0.5=7.503")
}
