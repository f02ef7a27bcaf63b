package fit

import (
	"fmt"
	"math"
	"testing"

	"crownmark/fit/engine"
)

// eight is a job of 8 cylinders, sweeps of each and readings of each sweep.
func eight(sweeps, readings int) Input {
	rod, off := 143.5, -0.8
	s := newSynth()
	s.eng = engine.Engine{Name: "Practice eight", StrokeMM: 86, RodMM: &rod, PinOffsetMM: &off, CycleDeg: 720,
		FiringOrder: []int{1, 3, 7, 2, 6, 5, 4, 8}, ReferenceCylinder: 1, IndexLimitDeg: 0.5, TrimStepDeg: 0.1}
	s.everyS = 56.0 / 6 / float64(readings)
	s.encoderS = s.everyS
	s.errDeg = map[int]float64{}
	in := s.input()
	for c := 1; c <= 8; c++ {
		for k := range sweeps {
			way := math.Pow(-1, float64(k))
			in.Sweeps = append(in.Sweeps, s.sweep(c, 1, c, -28*way, 28*way, 6))
		}
	}
	return in
}

// BenchmarkSolve is a job of 8 cylinders with 4 sweeps of 1,000 readings each:
// at most 50 ms on one core and 8 MB allocated.
func BenchmarkSolve(b *testing.B) {
	in := eight(4, 1000)
	b.ReportAllocs()
	for b.Loop() {
		if x, err := Solve(in); err != nil || x.Status != "ok" {
			b.Fatal(err, x.Status)
		}
	}
}

// BenchmarkSolveGrows is the same job with more and more readings; the exponent
// of its cost is to be 1.0 ± 0.1.
func BenchmarkSolveGrows(b *testing.B) {
	for _, n := range []int{500, 2000, 8000, 31250} {
		b.Run(fmt.Sprint(32*n), func(b *testing.B) {
			in := eight(4, n)
			for b.Loop() {
				if x, err := Solve(in); err != nil || x.Status != "ok" {
					b.Fatal(err, x.Status)
				}
			}
		})
	}
}
