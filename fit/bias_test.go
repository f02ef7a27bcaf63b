package fit

import (
	"math"
	"testing"

	"crownmark/fit/crank"
	"crownmark/fit/engine"
)

// geometries are strokes 50–110 mm, rods of 1.5 to 2 strokes, offsets to ±1.5 mm.
func geometries(visit func(stroke, rod, offset float64)) {
	for _, stroke := range []float64{50, 70, 88, 110} {
		for _, ratio := range []float64{1.5, 1.75, 2} {
			for _, offset := range []float64{-1.5, -0.6, 0, 0.9, 1.5} {
				visit(stroke, ratio*stroke, offset)
			}
		}
	}
}

// Parabola and chord miss the top by what the geometry predicts, to 0.0005°;
// readings finer and placed otherwise than those of the prediction.
func TestBiasesAreAsPredicted(t *testing.T) {
	var worstP, worstC, most float64
	geometries(func(stroke, rod, offset float64) {
		g, err := crank.New(stroke, rod, offset)
		if err != nil {
			t.Fatal(err)
		}
		var x, y []float64
		for at := -27.3; at < 24; at += 0.0731 {
			mm, _ := g.Rise(at)
			x, y = append(x, at), append(y, mm)
		}
		v, err := Parabola(x, y, 2, parabolaHalfDeg)
		if err != nil {
			t.Fatal(err)
		}
		parabola, chord := BiasesDeg(g)
		worstP = math.Max(worstP, math.Abs(v.AngleDeg-parabola))
		most = math.Max(most, math.Abs(v.AngleDeg))
		if v, err = Chord(x, y, v, chordFromMM, chordToMM); err != nil {
			t.Fatal(err)
		}
		worstC = math.Max(worstC, math.Abs(v.AngleDeg-chord))
	})
	t.Logf("from the prediction: parabola %.6f°, chord %.6f° at most; the bias itself reaches %.4f°", worstP, worstC, most)
	if worstP > 0.0005 || worstC > 0.0005 || most < 0.002 {
		t.Errorf("parabola %.6f°, chord %.6f° from the prediction", worstP, worstC)
	}
}

// Without noise the crank model has no bias: index errors to 0.0001° for every
// geometry, with latency, lash and play in it. Display and counter are so fine
// that their steps say nothing.
func TestNoBiasWithoutNoise(t *testing.T) {
	worst := 0.0
	geometries(func(stroke, rod, offset float64) {
		for _, still := range []bool{true, false} {
			s := newSynth()
			s.noiseMM, s.encoderStep, s.displayStep = 0, 1e-6, 1e-7
			s.eng = engine.Engine{Name: "Any two", StrokeMM: stroke, RodMM: &rod, PinOffsetMM: &offset, CycleDeg: 360, FiringOrder: []int{1, 2},
				ReferenceCylinder: 1, IndexLimitDeg: 0.5, TrimStepDeg: 0.1}
			s.errDeg = map[int]float64{2: 0.731}
			if still {
				s.latency, s.lash, s.playMM = 0, 0, 0
			}
			c := cylinderOf(solve(t, s.input(s.both(1, 1, 1), s.both(2, 1, 2))), 2)
			if c.IndexErrorDeg == nil {
				t.Fatalf("stroke %g, rod %g, offset %g: %v", stroke, rod, offset, c.Flags)
			}
			off := math.Abs(*c.IndexErrorDeg - 0.731)
			worst = math.Max(worst, off)
			if off > 1e-4 {
				t.Errorf("stroke %g, rod %g, offset %g, still %v: index off by %.6f°", stroke, rod, offset, still, off)
			}
		}
	})
	t.Logf("index off by %.7f° at most", worst)
}
