package calibrate

import (
	"math"
	"math/rand/v2"
	"testing"

	"crownmark/fit"
	"crownmark/fit/crank"
	"crownmark/fit/engine"
)

// turned is a crank of four throws a quarter turn apart, swept both ways, with an
// encoder of 7,200 counts that errs once and twice a turn: a·sin(φ + α).
type turned struct {
	reclock   []float64
	told      bool
	once      [2]float64 // amplitude and phase, degrees and radians
	twice     [2]float64
	lose      float64 // degrees lost before the reference is swept again
	declaredU *float64
}

func (w turned) errorDeg(phiDeg float64) float64 {
	phi := phiDeg * math.Pi / 180
	return w.once[0]*math.Sin(phi+w.once[1]) + w.twice[0]*math.Sin(2*phi+w.twice[1])
}

func (w turned) input() fit.Input {
	rod := 140.0
	e := engine.Engine{Name: "Four a quarter apart", StrokeMM: 80, RodMM: &rod, CycleDeg: 360, FiringOrder: []int{1, 2, 3, 4}, ReferenceCylinder: 1, IndexLimitDeg: 0.5}
	in := fit.Input{Engine: e, Priors: fit.DefaultPriors(), DirectionConfirmed: true}
	in.Priors.EccentricityUDeg, in.Priors.EncoderStepDeg = w.declaredU, 0.05
	draw := rand.New(rand.NewPCG(5, 6))
	g, _ := crank.New(80, 140, 0)
	clock, turns := 0.0, 0.0
	sweep := func(mount, cylinder int, dir, offset float64) {
		at := 90*float64(cylinder-1) + 360*turns
		enc, h := &fit.Series{}, fit.Series{}
		x := func(t float64) float64 { return dir * (6*(t-clock) - 28 + 0.3*(math.Cos(3*(t-clock))-1)) }
		for t := clock; t < clock+9.4; t += 0.01 {
			shown := offset + at + x(t) + w.errorDeg(at+x(t)+w.reclock[mount-1])
			enc.T, enc.V = append(enc.T, t), append(enc.V, math.Round(shown/0.05)*0.05)
		}
		for t := clock; t < clock+9.3; t += 0.05 {
			y, _ := g.Rise(x(t))
			h.T, h.V = append(h.T, t), append(h.V, math.Round((y+0.0005*draw.NormFloat64())/0.001)*0.001)
		}
		clock += 12
		s := fit.Sweep{ID: int64(len(in.Sweeps) + 1), Cylinder: cylinder, Indicator: "left", Mount: mount, Setup: len(in.Sweeps)/2 + 1, Zeroing: len(in.Sweeps)/2 + 1, Encoder: enc, Height: h}
		if w.told {
			s.ReclockDeg = &w.reclock[mount-1]
		}
		in.Sweeps = append(in.Sweeps, s)
	}
	for m := range w.reclock {
		for i, c := range []int{1, 2, 3, 4, 1} {
			offset := 40 + 31*float64(m)
			if turns = 0; i == 4 {
				offset, turns = offset-w.lose, 3
			}
			sweep(m+1, c, 1, offset)
			sweep(m+1, c, -1, offset)
		}
	}
	return in
}

func solvedIndex(t *testing.T, in fit.Input) fit.Index {
	t.Helper()
	x, err := fit.Solve(in)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// Oracle: what was put in. Mounts at 0°, 180°, 90° and 45° tell the eccentricity once and twice a
// turn, and what may be declared for any other mounting.
func TestEncoderEccentricity(t *testing.T) {
	ecc := 0.1
	w := turned{reclock: []float64{0, 180, 90, 45}, told: true, once: [2]float64{0.12, 0.5}, twice: [2]float64{0.04, -1}, declaredU: &ecc}
	in := w.input()
	r := Encoder(in, solvedIndex(t, in), nil)
	if r.Mounts != 4 || len(r.ReclockDeg) != 4 || len(r.Eccentric) != 2 || r.EccentricityUDeg == nil {
		t.Fatalf("%+v", r)
	}
	for n, put := range [][2]float64{w.once, w.twice} {
		row := r.Eccentric[n]
		sin, cos := put[0]*math.Cos(put[1]), put[0]*math.Sin(put[1])
		t.Logf("%d per turn: %.4f, %.4f ± %.4f, %.4f, put in %.4f, %.4f", n+1, row.SinDeg, row.CosDeg, row.SinU95Deg, row.CosU95Deg, sin, cos)
		if !row.Seen || math.Abs(row.SinDeg-sin) > row.SinU95Deg || math.Abs(row.CosDeg-cos) > row.CosU95Deg || row.partU95() > 0.02 {
			t.Errorf("%+v: put in %.4f, %.4f", row, sin, cos)
		}
	}
	// declared as a standard uncertainty of each part, 0.12/√2 = 0.085 and what is left in doubt
	if u := *r.EccentricityUDeg; u < 0.084 || u > 0.092 {
		t.Errorf("may be declared: %g", u)
	}
	if r.ClosureHolds == nil || !*r.ClosureHolds || *r.ClosureTurns != 3 || r.Overall != Pass || *r.CountsPerRev != 7200 {
		t.Errorf("closure %v over %v turns, %s", r.ClosureDeg, r.ClosureTurns, r.Overall)
	}
	for i := 1; i < len(r.Budget); i++ {
		if r.Budget[i].UDeg > r.Budget[i-1].UDeg {
			t.Errorf("the budget is not worst first: %+v", r.Budget)
		}
	}
}

// One mounting tells nothing of the eccentricity, whatever it is: it stays as
// declared, and that is said. Lost counts fail.
func TestEncoderOfOneMounting(t *testing.T) {
	ecc := 0.1
	w := turned{reclock: []float64{0}, once: [2]float64{0.12, 0.5}, declaredU: &ecc}
	in := w.input()
	r := Encoder(in, solvedIndex(t, in), nil)
	if len(r.Eccentric) != 0 || r.EccentricityUDeg != nil || r.PulseDeg != nil || r.CountsPerTurn != nil || len(r.Notes) != 2 || r.Overall != Pass {
		t.Errorf("%+v", r)
	}
	if len(r.Budget) == 0 || r.Budget[0].Source != "eccentricity" || math.Abs(r.Budget[0].UDeg-0.2) > 1e-12 {
		t.Errorf("the budget: %+v", r.Budget)
	}
	w.lose = 0.4
	in = w.input()
	if r = Encoder(in, solvedIndex(t, in), nil); r.Overall != Fail || *r.ClosureHolds {
		t.Errorf("0.4° lost: %s, closure %v", r.Overall, *r.ClosureDeg)
	}
	in.Sweeps = in.Sweeps[:8]
	if r = Encoder(in, solvedIndex(t, in), nil); r.Overall != "" || r.ClosureDeg != nil || len(r.Notes) != 3 {
		t.Errorf("no closing sweep: %+v", r)
	}
}

// Cylinders half a turn apart never show what comes twice a turn, and those a
// quarter apart only one part of it without 45°.
func TestEncoderHalfATurnApart(t *testing.T) {
	ecc := 0.1
	w := turned{reclock: []float64{0, 180, 90}, told: true, once: [2]float64{0.12, 0.5}, declaredU: &ecc}
	in := w.input()
	var kept []fit.Sweep
	for _, s := range in.Sweeps {
		if s.Cylinder%2 == 1 {
			kept = append(kept, s)
		}
	}
	in.Sweeps = kept
	r := Encoder(in, solvedIndex(t, in), nil)
	if len(r.Eccentric) != 2 || !r.Eccentric[0].Seen || r.Eccentric[1].Seen || r.EccentricityUDeg == nil {
		t.Errorf("%+v", r.Eccentric)
	}
}

// pulsesAt are passes of an index pulse every turn, each told between two
// readings `every` apart.
func pulsesAt(draw *rand.Rand, mount, turns int, perTurn, place, every float64) (out []Pulse) {
	for n := range turns {
		at := place + perTurn*float64(n)
		from := at - every*draw.Float64()
		out = append(out, Pulse{mount, from, from + every})
	}
	return out
}

// Counts between pulses: right where the encoder has what is declared, and a wrong
// counts_per_rev is found; the doubt holds the truth (1,000 runs, uniform: 95 % and more).
func TestEncoderCounts(t *testing.T) {
	draw := rand.New(rand.NewPCG(7, 8))
	in := fit.Input{Priors: fit.DefaultPriors()}
	in.Priors.EncoderStepDeg = 0.05
	inside := 0
	for range 1000 {
		pulses := append(pulsesAt(draw, 1, 8, 360, 12, 0.6), pulsesAt(draw, 2, 4, 360, 100, 0.6)...)
		for _, p := range pulsesAt(draw, 1, 8, 360, 14+4*360, 0.6) { // turned further and back: found at its other end from the other side
			pulses = append(pulses, Pulse{1, p.ToDeg, p.FromDeg})
		}
		r := Encoder(in, fit.Index{}, pulses)
		if r.CountsPerTurn == nil || r.Pulses != 20 || r.PulseTurns != 7 {
			t.Fatalf("%+v", r)
		}
		if math.Abs(*r.CountsPerTurn-7200) <= *r.CountsPerTurnU95 {
			inside++
		}
	}
	if inside < 950 {
		t.Errorf("the doubt holds 7200 in %d of 1000", inside)
	}
	for perTurn, want := range map[float64]string{360: Pass, 360.5: Fail} {
		if r := Encoder(in, fit.Index{}, pulsesAt(draw, 1, 9, perTurn, 0, 0.6)); r.Overall != want {
			t.Errorf("%g° a turn: %s, %.1f ± %.1f counts", perTurn, r.Overall, *r.CountsPerTurn, *r.CountsPerTurnU95)
		}
	}
	if r := Encoder(in, fit.Index{}, pulsesAt(draw, 1, 1, 360, 0, 0.6)); r.CountsPerTurn != nil || r.Overall != "" {
		t.Errorf("one pulse: %+v", r)
	}
}

// The index pulse tells how the encoder stands on the crank.
func TestEncoderPulsePlace(t *testing.T) {
	ecc := 0.1
	in := turned{reclock: []float64{0}, declaredU: &ecc}.input()
	r := Encoder(in, solvedIndex(t, in), []Pulse{{1, 40 + 250, 40 + 250.2}, {1, 40 + 610, 40 + 610.2}})
	if r.PulseDeg == nil || math.Abs(*r.PulseDeg-250.1) > 0.15 { // lash and latency are not known well
		t.Errorf("%v, want 250.1° after the reference's top", r.PulseDeg)
	}
}
