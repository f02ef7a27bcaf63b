package acquire

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// trace drives a detector with a crank of 43 mm throw and 143.5 mm rod whose
// top lies at topDeg, an encoder of 0.05° steps at 50 readings a second and
// indicators of 12 mm travel at 20 a second, and keeps what it found.
type trace struct {
	*testing.T
	d       *detector
	ns      int64
	deg     float64
	encSeq  int64
	indSeq  []int64
	topDeg  []float64
	travel  float64
	sign    float64 // of the indicators
	jitter  int     // counts, at every other reading
	blind   bool    // the encoder stands still
	mute    bool    // the indicators say nothing
	heights []float64
	found   []found
	degAt   map[int64]float64 // by encoder seq
	mmAt    []map[int64]float64
	atInd   []map[int64]float64 // crank angle by indicator seq
}

type found struct {
	probe          int
	from, to       int64 // indicator seqs
	encFrom, encTo int64
	dir            int
	cause          string
}

func newTrace(t *testing.T, cfg SweepConfig, tops ...float64) *trace {
	r := &trace{T: t, d: newDetector(cfg, len(tops)), topDeg: tops, travel: 12, sign: 1,
		indSeq: make([]int64, len(tops)), heights: make([]float64, len(tops)), degAt: map[int64]float64{}}
	for i := range tops {
		r.d.place(i, true)
		r.mmAt = append(r.mmAt, map[int64]float64{})
		r.atInd = append(r.atInd, map[int64]float64{})
	}
	return r
}

// pistonMM is the piston's height below its top at an angle after it.
func pistonMM(deg float64) float64 {
	const r, l = 43.0, 143.5
	s, c := math.Sincos(deg * math.Pi / 180)
	return r*c + math.Sqrt(l*l-r*r*s*s) - r - l
}

func (r *trace) take(events []sweepEvent) {
	for _, e := range events {
		switch e.kind {
		case sweepBegins:
			r.found = append(r.found, found{probe: e.probe, from: e.at.ind[e.probe], encFrom: e.at.early, dir: e.dir})
		case sweepEnds:
			for i := len(r.found) - 1; i >= 0; i-- {
				if f := &r.found[i]; f.probe == e.probe {
					f.to, f.encTo, f.cause = e.at.ind[e.probe], e.at.late, e.cause
					break
				}
			}
		}
	}
}

// step lets 10 ms pass with the crank at deg.
func (r *trace) step(deg float64) {
	r.ns += 10e6
	r.deg = deg
	if r.ns%20e6 == 0 {
		r.encSeq++
		shown := math.Round(deg/0.05) * 0.05
		if r.jitter != 0 && r.encSeq%2 == 0 {
			shown += 0.05 * float64(r.jitter)
		}
		if r.blind {
			shown = 0
		}
		r.degAt[r.encSeq] = deg
		r.take(r.d.encoder(r.ns, r.encSeq, shown))
	}
	if r.ns%50e6 == 0 && !r.mute {
		for i, top := range r.topDeg {
			mm := max(pistonMM(deg-top), -r.travel)
			r.height(i, r.sign*math.Round(mm*1000)/1000)
		}
	}
	r.take(r.d.tick(r.ns))
}

func (r *trace) height(i int, mm float64) {
	r.indSeq[i]++
	r.mmAt[i][r.indSeq[i]], r.atInd[i][r.indSeq[i]] = mm, r.deg
	r.heights[i] = mm
	r.take(r.d.indicator(i, r.ns, r.indSeq[i], mm))
}

// turn turns the crank to deg at degS degrees a second.
func (r *trace) turn(deg, degS float64) {
	from, n := r.deg, max(1, math.Round(math.Abs(deg-r.deg)/degS*100))
	for i := 1.0; i <= n; i++ {
		r.step(from + (deg-from)*i/n)
	}
}

func (r *trace) stand(seconds float64) {
	for range int(seconds * 100) {
		r.step(r.deg)
	}
}

// want compares the sweeps with lines like "0 + -37 37 window": indicator,
// direction, crank angles of the first and last reading, cause. Angles may be
// off by 2°: what 50 ms, contact_mm and motion_deg come to.
func (r *trace) want(lines ...string) {
	r.Helper()
	var got []string
	ok := len(r.found) == len(lines)
	for i, f := range r.found {
		a, b := r.atInd[f.probe][f.from], r.atInd[f.probe][f.to]
		sign := map[int]string{1: "+", -1: "-"}[f.dir]
		got = append(got, fmt.Sprintf("%d %s %.1f %.1f %s", f.probe, sign, a, b, f.cause))
		if !ok {
			continue
		}
		var probe int
		var wantSign, cause string
		var from, to float64
		if _, err := fmt.Sscan(lines[i], &probe, &wantSign, &from, &to, &cause); err != nil {
			cause = ""
		}
		ok = probe == f.probe && wantSign == sign && cause == f.cause && math.Abs(a-from) <= 2 && (f.to == 0 || math.Abs(b-to) <= 2)
	}
	if !ok {
		r.Fatalf("found\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(lines, "\n  "))
	}
}

func TestOverTheTopAndBack(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -90
	r.stand(1)
	r.turn(90, 20)
	r.stand(3)
	r.turn(-90, 15)
	r.want("0 + -38 38 window", "0 - 38 -38 window")
	for _, f := range r.found {
		if from, to := r.degAt[f.encFrom], r.degAt[f.encTo]; math.Abs(from) < 45 || math.Abs(to) < 45 {
			t.Errorf("the encoder's stream spans %.1f to %.1f only: fits need some before and after", from, to)
		}
	}
}

// A reversal is recognised a degree late, and yet both sweeps are whole.
func TestReversalInContact(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -90
	r.stand(1)
	r.turn(20, 20)
	r.stand(2)
	r.turn(-30, 15)
	r.stand(0.5)
	r.turn(25, 15)
	r.stand(31)
	r.want("0 + -38 20 reversal", "0 - 20 -30 reversal", "0 + -30 25 idle")
	for i := 1; i < len(r.found); i++ {
		if r.found[i].from <= r.found[i-1].to {
			t.Errorf("sweeps share readings: %+v", r.found[i-1:i+1])
		}
	}
}

// Just beyond reversal_deg is a reversal, just below is not.
func TestSmallReversal(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -60
	r.stand(1)
	r.turn(-20, 20)
	r.turn(-20.9, 5)
	r.turn(0, 20)
	r.turn(-1.2, 5)
	r.turn(20, 20)
	r.stand(31)
	r.want("0 + -38 0 reversal", "0 - 0 -1.2 reversal", "0 + -1.2 20 idle")
}

// Once the stop is known, a few degrees on it tell that the plunger is back.
func TestTurningBackFromTheStop(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -90
	r.stand(1)
	r.turn(46, 20)
	r.turn(-44, 20)
	r.turn(46, 20)
	r.stand(31)
	r.want("0 + -38 38 reversal", "0 - 38 -38 reversal", "0 + -38 38 idle")
}

func TestRegripGoesOn(t *testing.T) {
	cfg := DefaultSweepConfig()
	r := newTrace(t, cfg, 0)
	r.deg = -60
	r.stand(1)
	for _, deg := range []float64{-25, 15, 80} {
		r.turn(deg, 20)
		r.turn(deg-0.8, 5) // springs back, short of the reversal
		r.stand(cfg.IdleS - 2)
	}
	r.want("0 + -38 38 window")
}

func TestPausedAndGoingOnAreTold(t *testing.T) {
	d := newDetector(DefaultSweepConfig(), 1)
	d.place(0, true)
	var kinds []sweepEventKind
	keep := func(ev []sweepEvent) {
		for _, e := range ev {
			kinds = append(kinds, e.kind)
		}
	}
	var ns, seq int64
	move := func(n int, step float64) {
		for range n {
			ns, seq = ns+50e6, seq+1
			deg := d.now.deg + step
			keep(d.encoder(ns, seq, deg))
			keep(d.indicator(0, ns+1, seq, pistonMM(deg-40)))
			keep(d.tick(ns))
		}
	}
	move(40, 0.5)
	move(40, 0)
	move(10, 0.5)
	keep(d.end(-1, CauseShutdown))
	want := []sweepEventKind{sweepBegins, sweepPauses, sweepGoesOn, sweepEnds}
	if fmt.Sprint(kinds) != fmt.Sprint(want) {
		t.Fatalf("told %v, want %v", kinds, want)
	}
}

func TestStandingTooLongEndsTheSweep(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -60
	r.stand(1)
	r.turn(-10, 20)
	r.stand(35)
	r.turn(30, 20)
	r.stand(35)
	r.want("0 + -38 -10 idle", "0 + -10 30 idle")
}

func TestJitterAtStandstillIsNoMotion(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg, r.jitter = -20, 2 // 0.1°, below motion_deg
	r.stand(3)
	r.height(0, -5) // and something touches the plunger
	r.height(0, -5)
	r.stand(60)
	r.want()
	r.turn(10, 20)
	r.jitter = 2
	r.stand(35)
	r.want("0 + -20 10 idle")
}

func TestNotTouchingAtAll(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.travel = 0 // the plunger hangs above the piston
	r.deg = -90
	r.turn(400, 60)
	r.want()
	if r.d.probes[0].contact.touched {
		t.Error("contact was seen where there is none")
	}
}

func TestStandingEncoder(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.blind = true
	r.deg = -60
	r.turn(60, 20)
	r.want()
}

// Twice round the same way: each pass of the top is a sweep of its own.
func TestTurnAfterTurn(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -90
	r.stand(0.5)
	r.turn(360+90, 30)
	r.want("0 + -38 38 window", "0 + 322 398 window")
}

// A long plunger never leaves the piston: the window alone decides.
func TestLongTravel(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.travel = 100
	r.deg = -75
	r.stand(1)
	r.turn(110, 20)
	r.turn(-110, 20)
	r.stand(1)
	r.turn(0, 20)
	r.want("0 + -75 60 window", "0 - 60 -60 window", "0 + -60 0 ")
}

// window_deg 0: bottoms are wanted, only reversal and standing end a sweep.
func TestNoWindow(t *testing.T) {
	cfg := DefaultSweepConfig()
	cfg.WindowDeg = 0
	r := newTrace(t, cfg, 0)
	r.travel = 100
	r.deg = -30
	r.stand(1)
	r.turn(230, 30)
	r.turn(-20, 30)
	r.stand(31)
	r.want("0 + -30 230 reversal", "0 - 230 -20 idle")
}

func TestTwoIndicators(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0, 20)
	r.deg = -90
	r.stand(1)
	r.turn(110, 20)
	r.stand(1)
	r.turn(20, 20)
	r.stand(31)
	r.want("0 + -38 38 window", "1 + -18 58 window", "1 - 58 20 idle", "0 - 38 20 idle")
}

func TestSelectionEndsAtOnce(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -60
	r.stand(1)
	r.turn(5, 20)
	r.take(r.d.end(-1, CauseSelection))
	r.turn(80, 20)
	r.want("0 + -38 5 selection", "0 + 5 38 window")
	if r.found[1].from != r.found[0].to+1 {
		t.Errorf("the first reading after the selection is %d, the sweep begins at %d", r.found[0].to+1, r.found[1].from)
	}
}

func TestSelectionAtStandstillBeginsNothing(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -60
	r.stand(1)
	r.turn(5, 20)
	r.take(r.d.end(-1, CauseSelection))
	r.stand(20)
	r.want("0 + -38 5 selection")
}

// Another cylinder: what was known of contact and window is void.
func TestPlacedAnew(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -60
	r.stand(1)
	r.turn(90, 20)
	r.take(r.d.end(-1, CauseSelection))
	r.d.place(0, true)
	r.topDeg[0] = 180
	r.stand(5)
	r.turn(250, 20)
	r.d.place(0, false)
	r.turn(100, 20)
	r.want("0 + -38 38 window", "0 + 142 218 window")
}

func TestLostCountsEndAtTheLastGoodReading(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -60
	r.stand(1)
	r.turn(5, 20)
	last := r.encSeq
	r.take(r.d.end(-1, CauseLostCounts))
	r.d.reclock()
	if r.found[0].encTo != last {
		t.Errorf("the sweep ends at encoder reading %d, the last good one was %d", r.found[0].encTo, last)
	}
	r.turn(80, 20)
	r.want("0 + -38 5 lost_counts", "0 + 5 38 window")
}

// A jump of the encoder's zero is no travel: the plunger is not at rest for it.
func TestReclockingIsNoTravel(t *testing.T) {
	d := newDetector(DefaultSweepConfig(), 1)
	d.place(0, true)
	d.encoder(1e6, 1, 10)
	d.indicator(0, 2e6, 1, -3)
	d.reclock()
	d.encoder(3e6, 1, 300)
	d.indicator(0, 4e6, 2, -3)
	if travel := d.probes[0].contact.flat.travel(); travel != 0 {
		t.Errorf("travel of %v° was seen", travel)
	}
}

func TestIndicatorOnANewStream(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -60
	r.stand(1)
	r.turn(-5, 20)
	r.take(r.d.end(0, CausePortLost))
	r.mute = true
	r.turn(5, 20)
	r.d.reopen(0)
	r.indSeq[0], r.mute = 0, false
	r.turn(80, 20)
	first, second := r.found[0], r.found[1]
	if first.cause != CausePortLost || second.from > 2 || second.from < 1 || second.to < 10 {
		t.Fatalf("found %+v", r.found)
	}
}

// A plunger that was lifted off the piston drops to its stop. Turning through
// then is no sweep, though nobody has seen that stop before.
func TestLiftedOff(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -30
	r.stand(1)
	r.turn(30, 10)
	r.turn(-30, 10)
	r.topDeg[0] = 180 // nowhere near: it shows its stop
	r.stand(2)
	r.turn(100, 30)
	r.stand(2)
	r.topDeg[0] = 120 // put on another piston before anybody said so
	r.stand(20)
	r.want("0 + -30 30 reversal", "0 - 30 -30 reversal")
	r.turn(130, 10)
	r.stand(31)
	r.want("0 + -30 30 reversal", "0 - 30 -30 reversal", "0 + 100 130 idle")
}

// A sweep that begins at the lowest height seen so far loses nothing by the
// wait for a proof that the plunger touches.
func TestBeginsAtTheLowest(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -30
	r.stand(1)
	r.turn(-28, 2)
	r.stand(40)
	r.turn(28, 10)
	r.stand(40)
	r.turn(-28, 10)
	r.stand(40)
	r.want("0 + -30 -28 idle", "0 + -28 28 idle", "0 - 28 -28 idle")
}

// Wrong digits neither make contact nor move the window.
func TestSpikes(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.deg = -90
	r.stand(1)
	for deg := -90.0; deg <= 90; deg++ {
		r.turn(deg, 20)
		if int(deg)%7 == 0 {
			r.height(0, []float64{123.456, -99.9, 0}[(int(deg)+700)%3])
		}
	}
	r.want("0 + -38 38 window")
}

func TestFellFromItsStop(t *testing.T) {
	r := newTrace(t, DefaultSweepConfig(), 0)
	r.sign = -1
	r.deg = -90
	r.stand(1)
	r.turn(-30, 20)
	if !r.d.probes[0].contact.fell {
		t.Error("heights that fall from the resting stop were not noticed")
	}
}

// However the crank is turned: sweeps never share a reading, never run
// backwards, and one ends before the next of its indicator begins.
func TestAnyTurning(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newTrace(t, DefaultSweepConfig(), 0, 90)
		r.deg = rapid.Float64Range(-180, 180).Draw(rt, "start")
		for range rapid.IntRange(1, 12).Draw(rt, "moves") {
			if rapid.Bool().Draw(rt, "stand") {
				r.stand(rapid.Float64Range(0, 40).Draw(rt, "seconds"))
			}
			r.turn(r.deg+rapid.Float64Range(-200, 200).Draw(rt, "by"), rapid.Float64Range(5, 90).Draw(rt, "speed"))
			if rapid.IntRange(0, 5).Draw(rt, "select") == 0 {
				r.take(r.d.end(-1, CauseSelection))
			}
		}
		r.take(r.d.end(-1, CauseShutdown))
		last := []int64{0, 0}
		for _, f := range r.found {
			if f.from <= last[f.probe] || f.to < f.from || f.encTo < f.encFrom || f.cause == "" {
				rt.Fatalf("sweeps %+v", r.found)
			}
			last[f.probe] = f.to
		}
	})
}
