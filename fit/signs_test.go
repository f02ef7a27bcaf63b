package fit

import (
	"math"
	"slices"
	"strings"
	"testing"

	"crownmark/fit/crank"
	"crownmark/fit/engine"
)

// A wrong sign moves a result by twice its cause. These tests put in one cause
// each, large enough that no other can hide it.

// asLate is a bench whose heights come 1 s after the encoder, and known to.
func asLate() *synth {
	s := newSynth()
	s.latency = 1
	return s
}

func (s *synth) told(in Input) Input {
	in.Priors.Default = IndicatorPrior{LatencyMS: 1000 * s.latency, LatencyUMS: 20}
	return in
}

// known is a bench whose latency and lash are known, so that nothing can hide in them.
func (s *synth) known(in Input) Input {
	in.Priors.Default = IndicatorPrior{LatencyMS: 1000 * s.latency, LatencyUMS: 0.1}
	in.Priors.LashDeg, in.Priors.LashUDeg = s.lash, 0.001
	return in
}

// The crank stands for half a second. What came late was made earlier: nothing
// that was made while it stood is used, and the top is where the crank was.
func TestReadingsCountWhenTheyWereMade(t *testing.T) {
	const standS = 0.5
	s := asLate()
	w := s.sweep(1, 1, 1, -28, 28, 6)
	stand := func(at, v []float64, until float64) {
		n, _ := slices.BinarySearch(at, until)
		for i := range n {
			v[i] = v[n]
		}
	}
	stand(w.Encoder.T, w.Encoder.V, standS)
	stand(w.Height.T, w.Height.V, standS+s.latency)
	j := newJob(s.told(s.input()))
	p, flag := j.newPass(&w)
	if p == nil {
		t.Fatal(flag)
	}
	if off := j.first[p] - (s.offset - s.lash/2); math.Abs(off) > 0.3 { // play; 1 s is 6°
		t.Errorf("first top off by %.2f°", off)
	}
	var made []float64
	for i, use := range p.use {
		if use {
			made = append(made, p.t[i]-s.latency)
		}
	}
	// From past the lash bound and 0.5° at 6°/s, off the smoothed corner, to the end.
	if first, last := made[0], made[len(made)-1]; first < standS || first > standS+0.6 || last < 56/6.-0.2 {
		t.Errorf("readings used were made from %.2f s to %.2f s", first, last)
	}
}

// Readings either side of a knock are told apart by when they were made: none
// is left out.
func TestKnockHeardLate(t *testing.T) {
	s := asLate()
	in := s.told(s.input(s.both(1, 1, 1), s.both(3, 1, 2)))
	h := in.Sweeps[2].Height
	for i := len(h.V) / 3; i < len(h.V); i++ {
		h.V[i] += 0.6
	}
	c := cylinderOf(solve(t, in), 3)
	if !slices.Contains(c.Flags, FlagBumped) || c.Rejected > 3 {
		t.Errorf("%d readings left out, flags %v", c.Rejected, c.Flags)
	}
}

// A bottom heard a second late, of a piston that is late itself, lies where the
// crank was: not 6° on, and as far on as its top.
func TestBottomHeardLate(t *testing.T) {
	s := asLate()
	s.errDeg[3] = 9
	c := cylinderOf(solve(t, s.told(s.input(s.both(1, 1, 1), s.both(3, 1, 2), []Sweep{s.sweep(3, 1, 2, 140, 215, 6)}))), 3)
	near(t, "stroke", c.StrokeSeenMM, 86.003, 0.04)
}

// Play holds the piston up behind the top, in the way of turning. Latency and
// lash known, one way tells the top: taken on the other side it is off by 0.1°.
func TestPlayHangsBehindTheTop(t *testing.T) {
	for _, way := range []float64{1, -1} {
		s := newSynth()
		s.playMM = 0.08
		c := cylinderOf(solve(t, s.known(s.input([]Sweep{s.sweep(1, 1, 1, -28*way, 28*way, 6)}))), 1)
		near(t, "tdc", c.TDCDeg, s.offset, 0.02)
		near(t, "play", c.PlayMM, s.playMM, 0.01)
	}
}

// The step of a tilt flip is up for + after the top, in the way of turning; a
// stand that creeps has its peak as it was at the setup's first top.
func TestTiltFlipAndCreepComeBack(t *testing.T) {
	s := newSynth()
	s.flipMM, s.creepMMPerS = 0.012, 0.001
	ix := solve(t, s.known(s.input(s.both(1, 1, 1), s.both(3, 1, 2))))
	c := cylinderOf(ix, 3)
	near(t, "index", c.IndexErrorDeg, s.errDeg[3], 0.01)
	near(t, "tilt flip", c.TiltFlipMM, s.flipMM, 0.006)
	first := 2*(56/6.+3) + 28/6.                                // s: two sweeps of cylinder 1, then half of one
	near(t, "peak", c.PeakMM, 0.118+s.creepMMPerS*first, 0.005) // a sweep's own offset is near 0
}

// A top a third of a turn late: another cylinder's, and said to be so late.
func TestAnotherCylindersTopIsAsLateAsItIs(t *testing.T) {
	for _, late := range []float64{120, -120} {
		s := newSynth()
		s.errDeg[3], s.playMM = late, 0.08
		c := cylinderOf(solve(t, s.input(s.both(1, 1, 1), s.both(3, 1, 2))), 3)
		near(t, "index", c.IndexErrorDeg, late, 0.006)
		near(t, "play", c.PlayMM, s.playMM, 0.01)
		if c.TrimDeg != nil || !slices.Contains(c.Flags, FlagWrongCylinder) {
			t.Errorf("trim %v, flags %v", c.TrimDeg, c.Flags)
		}
	}
}

// Banks with ±0.8 mm pin offset: θ_top = asin(e/(l+r)) parts their tops by
// 0.49°; what is left of the index error is the throw's. u95 holds 0.02 mm of
// each piston's offset, 0.017°.
func TestThrowErrorLeavesThePinOffsetsOut(t *testing.T) {
	left, right := 0.8, -0.8
	s := newSynth()
	s.eng.FiringOrder, s.eng.PinOffsetMM = nil, nil
	s.eng.Cylinder = []engine.Cylinder{{Number: 1, PinOffsetMM: &left}, {Number: 2, TDCDeg: 90, PinOffsetMM: &right}}
	c := cylinderOf(solve(t, s.input(s.both(1, 1, 1), s.both(2, 1, 2))), 2)
	apart := 2 * math.Asin(0.8/(143.5+43)) * 180 / math.Pi
	near(t, "index", c.IndexErrorDeg, s.errDeg[2], 0.006)
	near(t, "throw", c.ThrowErrorDeg, s.errDeg[2]+apart, 0.006)
	near(t, "its doubt", c.ThrowU95Deg, 0.018, 0.003)
}

// A correction is added to the reading: where the display shows 3.118 mm on the
// top and 1 % too little, the peak lies 0.031 mm higher. The crank's own
// geometry knows such a scale: the true height above the deck stays.
func TestCorrectionIsAdded(t *testing.T) {
	s := newSynth()
	in := s.input(s.both(1, 1, 1))
	for i := range in.Sweeps {
		in.Sweeps[i].DeckZero = true
		in.Sweeps[i].Correction = &Correction{ReadingMM: []float64{-20, 20}, CorrectionMM: []float64{-0.2, 0.2}}
		for k := range in.Sweeps[i].Height.V {
			in.Sweeps[i].Height.V[k] += 3
		}
	}
	c := cylinderOf(solve(t, in), 1)
	near(t, "peak", c.PeakMM, 3.149, 0.002)
	near(t, "above the deck", c.DeckMM, 3.118, 0.003)
	_, top := bounds(c.Curves[0].HeightMM)
	near(t, "the drawn curve's top", &top, 0, 0.005)
}

// Swept one way, a mark that is approached the same way has the lash in common
// with the top; approached the other way the whole of it lies between, in the
// value and in the doubt.
func TestMarkApproachedEitherWay(t *testing.T) {
	var u [2]float64
	for i, way := range []int{1, -1} {
		s := newSynth()
		in := s.told(s.input([]Sweep{s.sweep(1, 1, 1, -28, 28, 6)}))
		in.Priors.Default.LatencyUMS = 1
		in.Marks = []Mark{{MarkDeg: -5, AngleDeg: s.offset - 6 - float64(way)*s.lash/2, Mount: 1, Approach: way}}
		m := solve(t, in).Marks[0]
		near(t, "mark error", m.ErrorDeg, 1, map[int]float64{1: 0.03, -1: 0.13}[way])
		u[i] = *m.U95Deg
	}
	// By hand, standard: 0.2° by eye; with the lash's 0.2° √(0.2² + 0.2²).
	if math.Abs(u[0]-1.96*0.2) > 0.03 || math.Abs(u[1]-1.96*0.2*math.Sqrt2) > 0.03 {
		t.Errorf("u95 %.3f the same way, %.3f the other", u[0], u[1])
	}
}

// Play holds the piston up behind the top: a parabola alone puts the top that
// way. Without it the parabola and the chord miss by their bias, taken out.
func TestMethodsBesideTheModel(t *testing.T) {
	for _, way := range []float64{1, -1} {
		s := newSynth()
		in := s.told(s.input([]Sweep{s.sweep(1, 1, 1, -28*way, 28*way, 6)}))
		c := cylinderOf(solve(t, in), 1)
		if apart := way * (*c.ParabolaTDCDeg - *c.TDCDeg); apart < 0.01 {
			t.Errorf("way %g: parabola %.4f° after the model", way, apart)
		}
	}
	s := newSynth()
	rod, offset := 165.0, -1.5
	s.eng.StrokeMM, s.eng.RodMM, s.eng.PinOffsetMM = 110, &rod, &offset
	s.playMM, s.noiseMM, s.encoderStep, s.displayStep = 0, 0, 1e-6, 1e-7
	c := cylinderOf(solve(t, s.input(s.both(1, 1, 1))), 1)
	near(t, "parabola", c.ParabolaTDCDeg, *c.TDCDeg, math.Abs(*c.ParabolaBiasDeg)/2)
	near(t, "chord", c.ChordTDCDeg, *c.TDCDeg, math.Abs(*c.ChordBiasDeg)/2)
}

// Durations and strokes are of the crank that the sweeps chose, as the fit is.
func TestBentCrankIsTheFitsOwn(t *testing.T) {
	g, err := crank.New(86, 143.5, -0.75)
	if err != nil {
		t.Fatal(err)
	}
	m := &model{}
	m.rod, m.offset = m.add(param{val: 0.25}), m.add(param{val: 0.5})
	p := &pass{geometry: g, tau: none, mount: none, lash: none, index: none, scale: none, play: none, flip: none, width: none, creep: none, zero: none}
	if got, want := m.bent(p), (crank.Geometry{R: 43, L: 143.75, E: -0.25}); got != want || m.viewOf(p).curve != want.Curve() {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

func TestWordsOfEachSign(t *testing.T) {
	u, rim := 0.2, -1.2
	early, late := 0.8, -0.8
	for _, c := range [][2]string{
		{TrimWords(-1.5), "retard 1.5°"}, {TrimWords(0.3), "advance 0.3°"}, {TrimWords(0), "leave as it is"},
		{LateWords(1.5, 0.1), "1.50° late"}, {LateWords(-0.32, 0.1), "0.32° early"},
		{WayWords(1), "forward"}, {WayWords(-1), "turning back"},
		{MarkWords(MarkError{ErrorDeg: &early, U95Deg: &u}), "lines up 0.8° too early: light shows 10, real is 10.8; for a real 10 make it show 9.2"},
		{MarkWords(MarkError{ErrorDeg: &late, U95Deg: &u, RimMM: &rim}), "lines up 0.8° too late: light shows 10, real is 9.2; for a real 10 make it show 10.8; move the pointer 1.2 mm against running direction, or cut a new zero 1.2 mm ahead of the old one"},
		{explainBench(Index{Bench: BenchResult{Streams: []StreamResult{{Indicator: "left", LatencyMS: 30, LatencyU95MS: 2, PriorU95MS: 98, PriorFrom: "assumed"}}}})[0], `Indicator "left" speaks 30.0 ± 2.0 ms after the encoder (beforehand 0.0 ± 98.0 ms, assumed, as the bench file says nothing).`},
		{explainBench(Index{Bench: BenchResult{Streams: []StreamResult{{Indicator: "left", LatencyMS: -30, LatencyU95MS: 2, PriorMS: -25, PriorU95MS: 10, PriorFrom: "bench file"}}}})[0], `Indicator "left" speaks 30.0 ± 2.0 ms before the encoder (beforehand -25.0 ± 10.0 ms, from the bench file).`},
	} {
		if c[0] != c[1] {
			t.Errorf("%q, want %q", c[0], c[1])
		}
	}
	notes := strings.Join(SignNotes(), "\n")
	for _, want := range []string{"Index error: + means that piston reaches its top late", "minus retards", "Mark error: + means the mark lines up too early"} {
		if !strings.Contains(notes, want) {
			t.Errorf("no %q in\n%s", want, notes)
		}
	}
}
