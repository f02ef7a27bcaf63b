//go:build accuracy

package main

import (
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"sync"
	"testing"

	"crownmark/fit"
	"crownmark/fit/engine"
)

// TestAgainstTheLimit makes jobs straight from the joint equation, every
// nuisance drawn from what the fit believes beforehand, and holds the fit's
// errors against the Cramér–Rao bound: clean, it should reach it.
func TestAgainstTheLimit(t *testing.T) {
	jobs := jobsAsked(t, "CROWNMARK_LIMIT_JOBS", 5000)
	for _, c := range []struct {
		name         string
		spikes       float64
		least, worst float64
	}{{"clean", 0, 0.95, 1.05}, {"5 % spikes", 0.05, 0, 1.20}} {
		ratio, null := make([]float64, jobs), 0
		inParallel(jobs, func(i int) { ratio[i] = limitJob(uint64(i+1), c.spikes) })
		var sum, sum2, n float64
		for _, r := range ratio {
			if math.IsNaN(r) {
				null++
				continue
			}
			sum, sum2, n = sum+r, sum2+r*r, n+1
		}
		mean := sum / n
		se := math.Sqrt((sum2/n - mean*mean) / n)
		t.Logf("%s: error²/bound %.3f ± %.3f (standard error) over %.0f jobs, %d without result", c.name, mean, se, n, null)
		if !(mean >= c.least && mean <= c.worst) {
			t.Errorf("%s: error²/bound %.3f ± %.3f, asked %.2f to %.2f", c.name, mean, se, c.least, c.worst)
		}
		if null > 0 {
			t.Errorf("%s: %d jobs of %d without a result", c.name, null, jobs)
		}
	}
}

// limitJob is one job's error² over its bound; NaN if the fit gave nothing.
func limitJob(seed uint64, spikes float64) float64 {
	r := rand.New(rand.NewPCG(seed, 0x11317))
	normal := func(mean, u float64) float64 { return mean + u*r.NormFloat64() }
	uniform := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	rod := uniform(1.5, 2)
	stroke := uniform(70, 100)
	rod *= stroke
	offset := uniform(-1.5, 1.5)
	e := engine.Engine{Name: "limit", StrokeMM: stroke, RodMM: &rod, PinOffsetMM: &offset, RunningDirection: "clockwise", CycleDeg: 720,
		ReferenceCylinder: 1, IndexLimitDeg: 0.25, TrimStepDeg: 0.1, Cylinder: []engine.Cylinder{{Number: 1}, {Number: 2, TDCDeg: 180}}}
	// The bound is taken where the truth is, the file says something else.
	job := limitOf{crank: thrust{stroke / 2, normal(rod, beforeRodUMM), normal(offset, beforeOffsetUMM)}, stands: map[int]stand{}, noiseMM: 0.001, keep: 1 - spikes}
	tau, lash := normal(beforeLatencyMS, beforeLatencyUMS)/1e3, normal(beforeLashDeg, beforeLashUDeg)
	index := uniform(-1, 1)
	hz, start := uniform(20, 50), 0.0
	in := fit.Input{Engine: e, Priors: declared(360000, 0.0005, 0), DirectionConfirmed: true, Simulated: true}
	for place := 1; place <= 2; place++ {
		play := -1.0
		for play < 0 {
			play = normal(beforePlayMM, beforePlayUMM)
		}
		st := stand{normal(beforeScale, beforeScaleU), play, normal(0, beforeFlipUMM), math.Exp(normal(math.Log(beforeWidthDeg), beforeWidthLogU))}
		job.stands[place] = st
		zero, creep, placed := uniform(-0.2, 0.2), normal(0, beforeCreepUMMPerS), start
		top := 500.0 + 180*float64(place-1) + index*float64(place-1)
		for _, dir := range []float64{1, -1} {
			h := hand{r, start, dir, top - dir*28, 56 / 150.0 * hz, uniform(0.1, 0.3), uniform(0.2, 0.6), uniform(0, 6)}
			sw := seen{cylinder: place, placement: place, dir: dir}
			f := fit.Sweep{ID: int64(len(in.Sweeps) + 1), Cylinder: place, Indicator: "left", Mount: 1, Setup: place, Zeroing: place, Encoder: h.encoder(lash)}
			shift := normal(0, beforeShiftUMM)
			for i := range 150 {
				at := start + (float64(i)+0.1*r.Float64())/hz
				deg, v := h.at(at)
				y := zero + shift + creep*(at-placed) + job.crank.shown(deg-top, dir, st) + 0.001*r.NormFloat64()
				if bad := uniform(-5, 5); r.Float64() < spikes {
					y += bad
				}
				sw.xDeg, sw.degPerS = append(sw.xDeg, deg-top), append(sw.degPerS, v)
				sw.at, sw.standing, sw.grip = append(sw.at, at), append(sw.standing, at-placed), append(sw.grip, 0)
				f.Height.T, f.Height.V = append(f.Height.T, at+tau), append(f.Height.V, y)
			}
			start += 150/hz + 2
			in.Sweeps, job.sweeps = append(in.Sweeps, f), append(job.sweeps, sw)
		}
	}
	x, err := fit.Solve(in)
	if err != nil || len(x.Cylinders) != 2 || x.Cylinders[1].IndexErrorDeg == nil {
		return math.NaN()
	}
	job.within(x)
	miss := *x.Cylinders[1].IndexErrorDeg - index
	return miss * miss / job.variances(1)[2]
}

// hand turns unevenly about a mean speed, always the same way.
type hand struct {
	*rand.Rand
	start, dir, from, degPerS, share, hz, phase float64
}

// at is the crank's angle (degrees) and speed (°/s) at t seconds.
func (h hand) at(t float64) (deg, degPerS float64) {
	t, w := t-h.start, 2*math.Pi*h.hz
	deg = h.from + h.dir*h.degPerS*(t+h.share/w*(math.Sin(w*t+h.phase)-math.Sin(h.phase)))
	return deg, h.dir * h.degPerS * (1 + h.share*math.Cos(w*t+h.phase))
}

// encoder is what a fine encoder says meanwhile: 200 lines a second, from a
// little before the sweep to a little after it.
func (h hand) encoder(lash float64) *fit.Series {
	s := &fit.Series{}
	for at := h.start - 0.4; at < h.start+12; at += 0.005 {
		deg, _ := h.at(at)
		s.T, s.V = append(s.T, at), append(s.V, math.Round((deg-h.dir*lash/2)*1000)/1000)
		if math.Abs(deg-h.from) > 75 {
			break
		}
	}
	return s
}

// within keeps the readings that the fit used: those between the first and the
// last one of each sweep.
func (j *limitOf) within(x fit.Index) {
	for i := range j.sweeps {
		s := &j.sweeps[i]
		lo, hi := reachOf(x, int64(i+1))
		used := *s
		used.xDeg, used.degPerS, used.at, used.standing, used.grip = nil, nil, nil, nil, nil
		for k, deg := range s.xDeg {
			if deg >= lo && deg <= hi {
				used.xDeg, used.degPerS, used.grip = append(used.xDeg, deg), append(used.degPerS, s.degPerS[k]), append(used.grip, 0)
				used.at, used.standing = append(used.at, s.at[k]), append(used.standing, s.standing[k])
			}
		}
		*s = used
	}
}

// reachOf is from where to where the fit used a sweep, degrees after its top.
func reachOf(x fit.Index, sweep int64) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, c := range x.Cylinders {
		for _, curve := range c.Curves {
			for i, used := range curve.Used {
				if curve.SweepID == sweep && used {
					lo, hi = min(lo, curve.XDeg[i]-0.02), max(hi, curve.XDeg[i]+0.02)
				}
			}
		}
	}
	return lo, hi
}

// declared is what a shop would declare of such a bench.
func declared(counts int, stepMM, eccentricityU float64) fit.Priors {
	p, none := fit.DefaultPriors(), 0.0
	p.Default = fit.IndicatorPrior{LatencyMS: beforeLatencyMS, LatencyUMS: beforeLatencyUMS, ResolutionMM: stepMM}
	p.LashDeg, p.LashUDeg = beforeLashDeg, beforeLashUDeg
	p.EncoderStepDeg = 360 / float64(counts)
	p.EccentricityUDeg, p.AccuracyUDeg = &eccentricityU, &none
	return p
}

// inParallel calls work for 0 … n−1, on as many goroutines as there are
// processors.
func inParallel(n int, work func(int)) {
	next := make(chan int)
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for i := range next {
				work(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	all.Wait()
}

func jobsAsked(t *testing.T, env string, otherwise int) int {
	t.Helper()
	text := os.Getenv(env)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("%s=%q: write a number of jobs from 1", env, text)
	}
	return n
}
