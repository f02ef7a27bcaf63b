package fit

import (
	"errors"
	"math"
	"slices"
	"testing"
)

// wobbling puts an encoder's error once and twice a turn into a job, the
// adapter turned on the crank by a few angles, a mount each. x is the crank
// angle after the reference's top.
func wobbling(s *synth, reclock []float64, amplitudes [2]float64, told bool) Input {
	in := s.input()
	setup := 0
	offset := s.offset
	for m, rho := range reclock {
		for _, c := range []int{1, 3, 4} {
			setup++
			s.offset = offset + 31*float64(m)
			for _, w := range s.both(c, m+1, setup) {
				for i, v := range w.Encoder.V {
					phi := (v - s.offset + rho) * math.Pi / 180
					w.Encoder.V[i] = v + amplitudes[0]*math.Sin(phi+0.7) + amplitudes[1]*math.Sin(2*phi-0.4)
				}
				if told {
					w.ReclockDeg = &rho
				}
				in.Sweeps = append(in.Sweeps, w)
			}
		}
	}
	s.offset = offset
	return in
}

// Three mounts at 0°, 180° and 90° tell an eccentricity of 0.1° from the
// crank; from one mount it stays in the doubt. The oracle is the truth put in.
func TestReclockedMountsTellEccentricity(t *testing.T) {
	ecc := 0.08
	for _, c := range []struct {
		reclock     []float64
		told        bool
		most, doubt float64 // of error and of u95
	}{{[]float64{0}, false, 0.4, 0.4}, {[]float64{0, 180, 90}, true, 0.004, 0.01}, {[]float64{0, 180, 90}, false, 0.4, 1}} {
		s := newSynth()
		in := wobbling(s, c.reclock, [2]float64{0.1, 0.03}, c.told)
		in.Priors.EccentricityUDeg = &ecc
		ix := solve(t, in)
		for _, n := range []int{3, 4} {
			if n == 4 && !c.told {
				continue // a whole turn on the encoder's error is the same
			}
			row := cylinderOf(ix, n)
			off := math.Abs(*row.IndexErrorDeg - s.errDeg[n])
			t.Logf("%v told %v, cylinder %d: %s, truth %.4f", c.reclock, c.told, n, WithDoubt(row.IndexErrorDeg, row.IndexU95Deg), s.errDeg[n])
			if off > c.most || off > *row.IndexU95Deg || *row.IndexU95Deg > c.doubt || *row.IndexU95Deg < c.doubt/20 {
				t.Errorf("%v, cylinder %d: off by %.4f, u95 %.4f", c.reclock, n, off, *row.IndexU95Deg)
			}
			at := row.NominalDeg + s.errDeg[n]
			phi := at * math.Pi / 180
			near(t, "what the encoder shows at the top", row.TDCDeg, math.Mod(s.offset+at+0.1*math.Sin(phi+0.7)+0.03*math.Sin(2*phi-0.4), 360), 0.01)
		}
	}
	s := newSynth()
	if row := cylinderOf(solve(t, wobbling(s, []float64{0, 180, 90}, [2]float64{0.1, 0.03}, true)), 3); slices.Contains(row.Flags, FlagUndeclared) || *row.IndexU95Deg > 0.01 {
		t.Errorf("undeclared but seen: flags %v, u95 %.4f", row.Flags, *row.IndexU95Deg)
	}
}

// What the re-clocked mounts tell of the encoder is what was put into it; from
// one mounting it is what was declared and no more.
func TestEccentricityIsTold(t *testing.T) {
	ecc := 0.08
	in := wobbling(newSynth(), []float64{0, 180, 90}, [2]float64{0.1, 0.03}, true)
	in.Priors.EccentricityUDeg = &ecc
	e := solve(t, in).Eccentricity
	if e == nil || !e.Reclocked || !e.Declared || e.PriorUDeg != ecc || e.Mount != 1 {
		t.Fatalf("%+v", e)
	}
	for n, amplitude := range []float64{0.1, 0.03} {
		phase := []float64{0.7, -0.4}[n]
		for _, part := range []struct{ got, u95, want float64 }{{e.SinDeg[n], e.SinU95Deg[n], amplitude * math.Cos(phase)}, {e.CosDeg[n], e.CosU95Deg[n], amplitude * math.Sin(phase)}} {
			// 2 %: a sweep is given its error's mean, not its course. Cylinders half a turn
			// apart never see what comes twice a turn: that stays as declared.
			if off := math.Abs(part.got - part.want); off > part.u95+0.02*amplitude || n == 0 && part.u95 > 0.01 || n == 1 && part.u95 < 0.14 {
				t.Errorf("%d per turn: %.4f ± %.4f, put in %.4f", n+1, part.got, part.u95, part.want)
			}
		}
	}
	in = wobbling(newSynth(), []float64{0}, [2]float64{0.1, 0.03}, false)
	if e := solve(t, in).Eccentricity; e != nil {
		t.Errorf("undeclared, one mounting: %+v", e)
	}
	in.Priors.EccentricityUDeg = &ecc
	if e := solve(t, in).Eccentricity; e == nil || e.Reclocked || e.SinU95Deg[0] < 0.1 {
		t.Errorf("declared, one mounting: %+v", e)
	}
}

// A top's error goes by the adapter's angle there: the crank's, with the
// cylinder's own error, and the adapter's on it. 1°: latency and lash, not yet known.
func TestWobbleGoesByTheAdaptersAngle(t *testing.T) {
	s := newSynth()
	s.errDeg[3] = 12
	j := newJob(wobbling(s, []float64{0, 180, 90}, [2]float64{0.1, 0.03}, true))
	j.anchor = 1
	if err := errors.Join(j.prepare(), j.build(true)); err != nil {
		t.Fatal(err)
	}
	for _, p := range j.passes {
		at := j.nominal(p.src.Cylinder) + s.errDeg[p.src.Cylinder] + *p.src.ReclockDeg
		for n := 1; n <= 2; n++ {
			sin, cos := p.wobble[2*n-2].coef, p.wobble[2*n-1].coef
			if off := fold180(math.Atan2(sin, cos)*180/math.Pi - float64(n)*at); math.Abs(off) > float64(n) {
				t.Errorf("cylinder %d turned by %g°, %d a turn: %.2f° off %g°", p.src.Cylinder, *p.src.ReclockDeg, n, off, at)
			}
		}
	}
}
