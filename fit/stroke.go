package fit

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"crownmark/fit/crank"
)

const (
	bottomHalfDeg   = 12.0 // half-window of the parabola about the bottom: its quartic's share in the height is under 0.1 µm per mm of curve
	bottomFarDeg    = 10.0 // further than this from where the crank has its bottom, it is no bottom
	bottomCurveMost = 1.5  // a stop that the plunger rests on is flat: the curve must be within this factor of the crank's
)

// writeStroke is the travel that the indicator showed between top and bottom,
// both read in one setup and one zeroing: the top's reading less the bottom's,
// the bottom by a parabola through the lowest part of the readings. The
// indicator's scale (tilt, crown) is in it, and so is its own error over so
// long a range, unless it is calibrated: then its doubt is. A piston that hangs by its play H reaches the bottom H too high:
// the doubt covers that.
func (j *job) writeStroke(c *Cylinder, s *solution, passes []*pass) {
	var best estimate
	var declared float64
	atBottom := 0 // sweeps refused as tops because they are the bottom
	for _, p := range passes {
		g := s.model.bent(p)
		if slices.ContainsFunc(passes[:slices.Index(passes, p)], func(q *pass) bool { return q.zero == p.zero }) {
			continue
		}
		lows, vs, sweeps := j.bottoms(s.model, p, passes, g)
		for _, w := range sweeps {
			if !slices.ContainsFunc(passes, func(q *pass) bool { return q.src == w }) {
				atBottom++
			}
		}
		if len(lows) == 0 {
			continue
		}
		n := float64(len(lows))
		v := stat.Mean(vs, nil) / n
		if n > 1 {
			v = math.Max(v, stat.Variance(lows, nil)/n)
		}
		v += s.byCurves(unit(p.zero), func(l *lane) float64 { return -j.atBottoms(l, sweeps, lows) })
		play := s.model.value(p.play) / math.Sqrt(3) // up to H of the travel is not seen: half-width H
		v += s.cov.At(p.zero, p.zero) + play*play
		seen := estimate{s.model.value(p.zero) - stat.Mean(lows, nil), Expand([]float64{v}, []float64{math.Inf(1)})}
		if declared == 0 || seen.u95 < best.u95 {
			best, declared = seen, g.StrokeMM()
		}
	}
	if declared > 0 {
		j.excuse(c.Number, atBottom)
		c.StrokeSeenMM, c.StrokeSeenU95MM, c.StrokeSeenRatio = ptr(best.value), ptr(best.u95), ptr(best.value/declared)
	}
}

// reaches says whether a pass goes so far (degrees) from its top.
func (p *pass) reaches(deg float64) bool {
	return math.Abs(p.x[0]) > deg || math.Abs(p.x[len(p.x)-1]) > deg
}

// bottoms are the lowest readings of all sweeps in a pass's setup and zeroing,
// their variances, and those sweeps.
func (j *job) bottoms(m *model, p *pass, passes []*pass, g crank.Geometry) (lows, vs []float64, sweeps []*Sweep) {
	for i := range j.in.Sweeps {
		w := &j.in.Sweeps[i]
		if w.Cylinder != p.src.Cylinder || w.Setup != p.src.Setup || w.Zeroing != p.src.Zeroing || w.Indicator != p.src.Indicator {
			continue
		}
		top := slices.IndexFunc(passes, func(q *pass) bool { return q.src == w })
		if top >= 0 && !passes[top].reaches(180-bottomFarDeg) {
			continue
		}
		low, ok := j.bottom(m, w, p, g)
		if !ok {
			continue
		}
		lows, vs, sweeps = append(lows, low.value), append(vs, low.u95*low.u95), append(sweeps, w)
	}
	return lows, vs, sweeps
}

// atBottoms is what a lane moves the mean of the lowest readings by.
func (j *job) atBottoms(l *lane, sweeps []*Sweep, lows []float64) (mean float64) {
	for i, w := range sweeps {
		if e := j.curveOf(w); e == l.curve {
			mean += l.off(w, e.shown(w, lows[i])) / float64(len(lows))
		}
	}
	return mean
}

// excuse takes the flag upside_down back where every sweep that raised it was
// found to be the bottom of this cylinder's stroke.
func (j *job) excuse(cylinder, bottoms int) {
	for _, f := range j.refused[cylinder] {
		if f == FlagUpsideDown {
			bottoms--
		}
	}
	if bottoms >= 0 {
		j.flags[cylinder] = slices.DeleteFunc(j.flags[cylinder], func(f string) bool { return f == FlagUpsideDown })
	}
}

// bottom is the reading (mm) at the piston's lowest in one sweep, with its
// standard uncertainty in u95's place. p is a pass through the top in the same
// setup, which knows the delay and where the top is.
func (j *job) bottom(m *model, w *Sweep, p *pass, g crank.Geometry) (low estimate, ok bool) {
	t, shown, _ := j.readings(w)
	y := j.curveOf(w).correct(w, shown)
	if w.Encoder == nil || len(t) < leastReadings {
		return low, false
	}
	e := j.stream(w.Encoder)
	if len(e.T) < 2 {
		return low, false
	}
	var x, up []float64 // turned over: a bottom is a top of −y
	for i := range t {
		if theta, ok := e.between(t[i] - m.value(p.tau)); ok {
			x, up = append(x, theta), append(up, -y[i])
		}
	}
	at, ok := highestOf(x, up)
	if !ok {
		return low, false
	}
	v, err := Parabola(x, up, at, bottomHalfDeg)
	if err != nil || v.N < 8 {
		return low, false
	}
	const perDeg = math.Pi / 180
	curve := -v.Curve / (m.value(p.scale) * g.R * (g.L - g.R) / g.L * perDeg * perDeg)
	if curve > bottomCurveMost || curve < 1/bottomCurveMost {
		return low, false
	}
	if mount, known := j.mounts[w.Mount]; known {
		after := v.AngleDeg - m.value(mount) - p.baseDeg - m.value(p.index)
		if math.Abs(fold180(after-(g.BottomDeg()-g.TopDeg()))) > bottomFarDeg {
			return low, false
		}
	}
	// The height of a least-squares vertex has 9/4 of σ²/n; a display's step does not average away where nothing moves.
	u := math.Max(1.5*p.noise.displayMM*math.Sqrt(p.vif/float64(v.N)), p.noise.floorMM)
	return estimate{-v.PeakMM, u}, true
}
