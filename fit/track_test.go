package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A bound reading comes to the mean and variance that it truly has, by adding
// up over its bounds in small steps.
func TestMatchByMoments(t *testing.T) {
	for _, c := range []struct{ deg, variance, soft float64 }{{0.02, 0.01, 0.001}, {-0.1, 0.0004, 0.02}, {0.3, 0.04, 0.005}, {0.09, 1, 1e-5}} {
		q := point{lo: -0.1, hi: 0.1, soft: c.soft, bound: true}
		likely := q.match(c.deg, c.variance)
		var sum, mean, square float64
		sd, step := math.Sqrt(c.variance), math.Sqrt(c.variance)/500
		for x := c.deg - 8*sd; x < c.deg+8*sd; x += step {
			in := (math.Erf((q.hi-x)/c.soft/math.Sqrt2) - math.Erf((q.lo-x)/c.soft/math.Sqrt2)) / 2
			p := in * density((x-c.deg)/sd) / sd * step
			sum, mean, square = sum+p, mean+p*x, square+p*x*x
		}
		mean /= sum
		variance := square/sum - mean*mean
		now := 1 / (1/c.variance + 1/q.variance)
		got := now * (c.deg/c.variance + q.deg/q.variance)
		if math.Abs(likely-sum) > 2e-3*sum || math.Abs(got-mean) > 2e-3*sd || math.Abs(now-variance) > 5e-3*c.variance {
			t.Errorf("%+v: likely %.5f, mean %.5f, variance %.3g; added up %.5f, %.5f, %.3g", c, likely, got, now, sum, mean, variance)
		}
	}
}

// turned is a counter's stream while the hand turns from 0 at degPerS, a little
// unevenly, and the true angle.
func turned(seconds, everyS, step, degPerS, uneven float64) (s Series, angle func(t float64) float64) {
	angle = func(t float64) float64 {
		return degPerS * (t + uneven/2.2*(math.Sin(2.2*t+1)-math.Sin(1)))
	}
	for t := 0.0; t < seconds; t += everyS {
		s.T, s.V = append(s.T, t), append(s.V, math.Round(angle(t)/step)*step)
	}
	return s, angle
}

// The smoothed angle is off by what its blur says: coarse counters and fine
// ones, slow lines, speeds in step with the lines and not. A hand that keeps in
// step for seconds has each line tell the same, and is the worst.
func TestTrackKnowsItsBlur(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct{ everyS, step, degPerS, uneven, most float64 }{
		{0.01, 0.15, 5, 0.02, 1.2}, {0.01, 0.15, 5.3, 0.2, 1.2}, {0.01, 0.05, 5, 0.01, 2}, {0.01, 0.25, 3, 0.2, 1.2}, {0.01, 0.018, 8, 0.2, 1.2}, {0.02, 0.036, 12, 0.1, 1.2}, {0.005, 1e-4, 6, 0.2, 1.2},
	} {
		var z2, n float64
		for range 12 {
			s, angle := turned(6, c.everyS, c.step, c.degPerS*(1+0.01*r.NormFloat64()), c.uneven)
			var room []moment
			k, ok := newTrack(&s, c.step, 0.5, 5.5, &room)
			if !ok {
				t.Fatalf("%+v: no track", c)
			}
			for i := range k.theta {
				off := k.theta[i] - angle(k.t0+float64(i)*k.dt)
				z2, n = z2+off*off/k.blur[i], n+1
			}
		}
		if rms := math.Sqrt(z2 / n); !(rms < c.most) {
			t.Errorf("%+v: off by %.2f times the blur", c, rms)
		}
	}
}

// A jolt is followed at once, not smeared over the readings beside it.
func TestTrackFollowsAJolt(t *testing.T) {
	const step = 0.05
	s, angle := turned(6, 0.01, step, 6, 0.1)
	for i := range s.V {
		if s.T[i] >= 3 {
			s.V[i] += 12 * step
		}
	}
	var room []moment
	k, ok := newTrack(&s, step, 0.5, 5.5, &room)
	if !ok {
		t.Fatal("no track")
	}
	for _, at := range []float64{2.9, 2.97, 3.03, 3.1} {
		want := angle(at)
		if at > 3 {
			want += 12 * step
		}
		if got, _, _ := k.at(at); math.Abs(got-want) > 0.05 {
			t.Errorf("at %.2f s: %.3f, want %.3f", at, got, want)
		}
	}
}
