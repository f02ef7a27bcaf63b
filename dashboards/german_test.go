package dashboards

import (
	"math"
	"slices"
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// sick are jobs that go wrong in a way of their own, each on a copy of one
// that was done well.
func sick() map[string]func(*fit.Input) {
	all := sickJobs()
	for name, curve := range sickCurves() {
		all[name] = func(in *fit.Input) {
			for i := range in.Sweeps {
				if in.Sweeps[i].Cylinder == 3 {
					curve(&in.Sweeps[i])
				}
			}
		}
	}
	return all
}

func keep(in *fit.Input, f func(fit.Sweep) bool) {
	in.Sweeps = slices.DeleteFunc(in.Sweeps, func(w fit.Sweep) bool { return !f(w) })
}

func sickJobs() map[string]func(*fit.Input) {
	return map[string]func(*fit.Input){
		"nothing":      func(in *fit.Input) { in.Sweeps = nil },
		"no direction": func(in *fit.Input) { in.DirectionConfirmed = false },
		"no reference": func(in *fit.Input) { keep(in, func(w fit.Sweep) bool { return w.Cylinder != 1 }) },
		"one way":      func(in *fit.Input) { keep(in, func(w fit.Sweep) bool { return forwards(w) }) },
		"one way, forbidden": func(in *fit.Input) {
			in.Engine.TurnBack = "forbidden"
			keep(in, func(w fit.Sweep) bool { return forwards(w) || w.Cylinder == 1 })
		},
		"undeclared":      func(in *fit.Input) { in.Priors.EccentricityUDeg, in.Priors.AccuracyUDeg = nil, nil },
		"bare engine":     func(in *fit.Input) { in.Engine.RodMM, in.Engine.PinOffsetMM, in.Engine.TrimStepDeg = nil, nil, 2 },
		"short":           func(in *fit.Input) { in.Priors.MinSpanDeg = 500 },
		"stray":           func(in *fit.Input) { stray := &in.Sweeps[len(in.Sweeps)/2]; turned(stray, 90) },
		"slipped":         func(in *fit.Input) { last := &in.Sweeps[len(in.Sweeps)-1]; turned(last, 2) },
		"never confirmed": func(in *fit.Input) { in.Sweeps = in.Sweeps[:1] },
		"calibrated badly": func(in *fit.Input) {
			states := []string{fit.CalibrationExpired, fit.CalibrationFailed, fit.CalibrationDoubted, fit.CalibrationNoneMade}
			c := fit.Correction{ReadingMM: []float64{-3, 3}, CorrectionMM: []float64{-0.01, 0.01}, U95MM: []float64{0.003, 0.003}}
			for i := range in.Sweeps {
				if rest := -2.5; i%2 == 1 {
					in.Sweeps[i].RestMM = &rest
				}
				in.Sweeps[i].Correction = &c
				in.Sweeps[i].Calibrated = fit.Calibrated{Certificate: 4, State: states[i%len(states)]}
			}
		},
	}
}

// sickCurves spoil each sweep of cylinder 3.
func sickCurves() map[string]func(*fit.Sweep) {
	return map[string]func(*fit.Sweep){
		"upside down": func(w *fit.Sweep) { scaleHeights(w, -1) },
		"wrong unit":  func(w *fit.Sweep) { scaleHeights(w, 25.4) },
		"leaning":     func(w *fit.Sweep) { scaleHeights(w, 1.2) },
		"half a curve": func(w *fit.Sweep) {
			w.Height.T, w.Height.V, w.Height.Late = w.Height.T[:len(w.Height.T)/3], w.Height.V[:len(w.Height.V)/3], nil
		},
		"few readings":   func(w *fit.Sweep) { w.Height.T, w.Height.V, w.Height.Late = w.Height.T[:4], w.Height.V[:4], nil },
		"no motion":      func(w *fit.Sweep) { w.Encoder = &fit.Series{T: w.Encoder.T, V: make([]float64, len(w.Encoder.V))} },
		"twisted":        func(w *fit.Sweep) { turned(w, 5) },
		"wrong cylinder": func(w *fit.Sweep) { turned(w, 90) },
		"mount unlinked": func(w *fit.Sweep) { w.Mount += 5 },
		"knocked":        func(w *fit.Sweep) { lift(w.Height.V, len(w.Height.V)/4, 0.3) },
		"counts lost":    func(w *fit.Sweep) { turnedFrom(w, len(w.Encoder.V)/2, 9) },
		"wild": func(w *fit.Sweep) {
			for i := range w.Height.V {
				if i%6 == 0 {
					w.Height.V[i] += 0.5
				}
			}
		},
		"bent": func(w *fit.Sweep) {
			for i := range w.Height.V {
				w.Height.V[i] += 0.02 * math.Sin(float64(i)/7)
			}
		},
		"sweeps disagree": func(w *fit.Sweep) {
			if forwards(*w) {
				w.Setup, w.Zeroing = w.Setup+20, w.Zeroing+20
				turned(w, 0.4)
			}
		},
		"by eye": func(w *fit.Sweep) { w.AngleUDeg = 0.2 },
	}
}

func forwards(w fit.Sweep) bool { return w.Encoder.V[len(w.Encoder.V)-1] > w.Encoder.V[0] }

func scaleHeights(w *fit.Sweep, k float64) {
	for i := range w.Height.V {
		w.Height.V[i] *= k
	}
}

func lift(v []float64, from int, by float64) {
	for i := from; i < len(v); i++ {
		v[i] += by
	}
}

func turned(w *fit.Sweep, deg float64) { turnedFrom(w, 0, deg) }

func turnedFrom(w *fit.Sweep, from int, deg float64) {
	w.Encoder = &fit.Series{T: w.Encoder.T, V: slices.Clone(w.Encoder.V)}
	lift(w.Encoder.V, from, deg)
}

// fresh is a copy that a sickness may spoil.
func fresh(in fit.Input) fit.Input {
	in.Sweeps = slices.Clone(in.Sweeps)
	for i := range in.Sweeps {
		in.Sweeps[i].Height.V = slices.Clone(in.Sweeps[i].Height.V)
	}
	return in
}

// saidOf is everything that an index document says in words.
func saidOf(x fit.Index, e engine.Engine) (out []string) {
	out = append(out, x.Advice...)
	out = append(out, verdictText(x), fit.ClosureWords(x), x.Rule, engineText(e), turnBackText(e), runsText(e))
	if x.Status != "ok" {
		out = append(out, x.Status)
	}
	for _, s := range x.Bench.Streams {
		out = append(out, s.PriorFrom)
	}
	for _, c := range x.Cylinders {
		out = append(out, c.Verdict, whyNone(c), lateWords(c), fit.StrokeWords(c), fit.TiltWords(c))
		if c.TrimSetDeg != nil {
			out = append(out, fit.TrimWords(*c.TrimSetDeg))
		}
		for _, b := range c.Budget {
			out = append(out, b.Source, b.Size, b.HowKnown)
		}
		for _, w := range c.Curves {
			out = append(out, fit.WayWords(w.Direction))
		}
	}
	for _, m := range x.Marks {
		out = append(out, fit.MarkWords(m))
	}
	for _, f := range x.RaisedFlags() {
		out = append(out, f.Cause, f.Cure)
	}
	return out
}

// TestWhatTheFitSaysHasItsGerman solves jobs that go wrong and looks for the
// German of all that is said of them.
func TestWhatTheFitSaysHasItsGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	well := swept(t, practice(t), 11, virtual.DefaultPlan())
	well.Sweeps = slices.DeleteFunc(well.Sweeps, func(w fit.Sweep) bool { return w.Cylinder == 2 || w.Cylinder == 4 }) // two throws say all there is
	raised, said := map[string]bool{}, map[string]bool{}
	for name, spoil := range sick() {
		in := fresh(well)
		spoil(&in)
		in.Marks = []fit.Mark{{MarkDeg: 0, AngleDeg: 70, Mount: 1, Approach: 1}, {MarkDeg: -10, AngleDeg: 1, Mount: 1}}
		x := solved(t, in)
		for _, text := range saidOf(x, in.Engine) {
			lacking(t, c, name, text)
			said[text] = true
		}
		for _, row := range x.Cylinders {
			for _, f := range row.Flags {
				raised[f] = true
			}
		}
	}
	var never []string
	for _, n := range fit.FlagNotes() {
		lacking(t, c, n.Flag, n.Cause)
		lacking(t, c, n.Flag, n.Cure)
		lacking(t, c, n.Flag, whyNone(fit.Cylinder{Flags: []string{n.Flag}}))
		if !raised[n.Flag] {
			never = append(never, n.Flag)
		}
	}
	t.Logf("%d texts; never raised: %s", len(said), strings.Join(never, " "))
	if len(said) < 150 || len(never) > 4 {
		t.Errorf("%d texts, never raised %v: the sick jobs are not sick enough", len(said), never)
	}
}

// TestWordsHaveTheirGerman: what is said of marks, ends of sweeps, signs and dangers.
func TestWordsHaveTheirGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range []float64{0.8, -0.8, 0.01, 30} {
		u, wide, rim := 0.1, 3.0, 1.2
		for _, m := range []fit.MarkError{{ErrorDeg: &e, U95Deg: &u}, {ErrorDeg: &e, U95Deg: &u, RimMM: &rim}, {ErrorDeg: &e, U95Deg: &wide}, {}} {
			lacking(t, c, "mark", fit.MarkWords(m))
		}
	}
	for _, cause := range acquire.Causes() {
		lacking(t, c, "cause", acquire.CauseWords(cause))
	}
	for _, s := range append(fit.SignNotes(), fit.Cautions()...) {
		lacking(t, c, "words", s)
	}
}
