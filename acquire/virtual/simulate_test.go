package virtual

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

func rows(t *testing.T, truth Truth, p Plan) []Row {
	t.Helper()
	var out []Row
	if err := Simulate(truth, p, func(r Row) error { out = append(out, r); return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

func fingerprint(rows []Row) string {
	h := sha256.New()
	for _, r := range rows {
		mm := math.NaN()
		if r.HeightMM != nil {
			mm = *r.HeightMM
		}
		fmt.Fprintln(h, r.Sweep, r.Cylinder, r.Indicator, r.Mount, r.Setup, r.Zeroing, r.TS, r.AngleDeg, mm, r.Count, r.Text)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func TestSeedRepeatsRows(t *testing.T) {
	t.Parallel()
	of := func(seed uint64) string {
		return fingerprint(rows(t, Draw(four(), seed, DefaultDisturbances()), DefaultPlan()))
	}
	first := of(7)
	if again := of(7); again != first {
		t.Error("the same seed made other rows")
	}
	if of(8) == first {
		t.Error("another seed made the same rows")
	}
}

func TestDefaultJob(t *testing.T) {
	t.Parallel()
	all := rows(t, Draw(four(), 3, DefaultDisturbances()), DefaultPlan())
	last := all[len(all)-1].TS
	t.Logf("%d rows, %.1f s", len(all), last)
	if last < 90 || last > 210 {
		t.Errorf("a four-cylinder job takes %.0f s, want about 150 s", last)
	}
	sweeps, prev := map[int][]Row{}, 0.0
	for _, r := range all {
		if r.TS < prev {
			t.Fatalf("row at %g s after one at %g s", r.TS, prev)
		}
		prev = r.TS
		if r.HeightMM != nil {
			sweeps[r.Sweep] = append(sweeps[r.Sweep], r)
		} else if r.Sweep != 0 || r.Cylinder != 0 {
			t.Fatalf("an encoder's row serves every sweep, but carries sweep %d", r.Sweep)
		}
	}
	want := []int{1, 1, 3, 3, 4, 4, 2, 2, 1, 1}
	for i, cyl := range want {
		s := sweeps[i+1]
		if len(s) < 60 || s[0].Cylinder != cyl || s[0].Setup != i/2+1 || s[0].Mount != 1 {
			t.Errorf("sweep %d: %d rows of cylinder %d in setup %d, want cylinder %d in setup %d", i+1, len(s), s[0].Cylinder, s[0].Setup, cyl, i/2+1)
		}
		if fwd := s[len(s)-1].AngleDeg > s[0].AngleDeg; fwd != (i%2 == 0) {
			t.Errorf("sweep %d goes the wrong way", i+1)
		}
	}
	if len(sweeps) != len(want) {
		t.Errorf("%d sweeps, want %d", len(sweeps), len(want))
	}
}

// On a quiet bench every height equals the geometry at the angle read at the
// same instant, for a fine encoder read often.
func TestQuietBenchIsGeometry(t *testing.T) {
	t.Parallel()
	d := Quiet()
	d.ThrowErrorDeg = Range{1, 1}
	truth := Draw(four(), 5, d)
	truth.Encoder.RateHz = 2000
	worst := 0.0
	for _, r := range rows(t, truth, DefaultPlan()) {
		if r.HeightMM == nil {
			continue
		}
		c, _ := truth.Engine.cylinder(r.Cylinder)
		s := truth.Engine.slider(c)
		var tdc float64
		for _, ct := range truth.Cylinders {
			if ct.Number == r.Cylinder {
				tdc = ct.TDCDeg
			}
		}
		x := math.Remainder(r.AngleDeg-tdc, 360)
		worst = max(worst, math.Abs(*r.HeightMM+drop(s, x)))
	}
	// 0.5 ms at 15 °/s and 0.5 mm/° is 4 µm.
	if worst > 0.004 {
		t.Errorf("heights leave the geometry by %.4f mm", worst)
	}
}

func TestPlans(t *testing.T) {
	t.Parallel()
	count := func(truth Truth, p Plan) (sweeps, mounts int, forwardOnly bool) {
		first := map[int]float64{}
		forwardOnly = true
		lastAngle := map[int]float64{}
		for _, r := range rows(t, truth, p) {
			mounts = max(mounts, r.Mount)
			if r.HeightMM != nil {
				sweeps = max(sweeps, r.Sweep)
				if _, ok := first[r.Sweep]; !ok {
					first[r.Sweep] = r.AngleDeg
				}
				lastAngle[r.Sweep] = r.AngleDeg
			}
		}
		for k, v := range first {
			forwardOnly = forwardOnly && lastAngle[k] > v
		}
		return
	}
	truth := Draw(four(), 2, DefaultDisturbances())
	p := DefaultPlan()
	p.Ways, p.Closing = Forward, false
	if n, _, fwd := count(truth, p); n != 4 || !fwd {
		t.Errorf("forward, no closing: %d sweeps, only forward %v; want 4 and true", n, fwd)
	}
	p.Ways = SlowFast
	if n, _, fwd := count(truth, p); n != 8 || !fwd {
		t.Errorf("slow-fast: %d sweeps, only forward %v; want 8 and true", n, fwd)
	}
	p = DefaultPlan()
	p.Repeats, p.Remounts = 2, []float64{180}
	if n, m, _ := count(truth, p); n != 40 || m != 2 {
		t.Errorf("two repeats, one remount: %d sweeps in %d mounts; want 40 in 2", n, m)
	}
	d := DefaultDisturbances()
	d.Indicators = []string{"left", "right"}
	if n, _, _ := count(Draw(four(), 2, d), DefaultPlan()); n != 10 {
		t.Errorf("two indicators: %d sweeps, want 10", n)
	}
}

func TestSlipShowsInTheClosing(t *testing.T) {
	t.Parallel()
	truth := Draw(four(), 9, Quiet())
	p := DefaultPlan()
	p.SlipDeg = 0.7
	// The same heights are met 720.7° later.
	peak := map[int]Row{}
	for _, r := range rows(t, truth, p) {
		if r.HeightMM != nil && (peak[r.Sweep].HeightMM == nil || *r.HeightMM > *peak[r.Sweep].HeightMM) {
			peak[r.Sweep] = r
		}
	}
	if got := peak[9].AngleDeg - peak[1].AngleDeg - 720; math.Abs(got-0.7) > 0.4 {
		t.Errorf("closing on the reference shows %.2f°, want about 0.7°", got)
	}
}

func TestImpossibleBenchesAndPlans(t *testing.T) {
	t.Parallel()
	bad := Draw(four(), 1, DefaultDisturbances())
	bad.Engine.RodMM = 40
	if err := Simulate(bad, DefaultPlan(), nil); err == nil || !strings.Contains(err.Error(), "longer rod") {
		t.Errorf("a rod shorter than the crank: %v", err)
	}
	truth := Draw(four(), 1, DefaultDisturbances())
	truth.Engine.Reference = 9
	if err := Simulate(truth, DefaultPlan(), nil); err == nil || !strings.Contains(err.Error(), "reference cylinder 9") {
		t.Errorf("an absent reference: %v", err)
	}
	stop := errors.New("enough")
	if err := Simulate(Draw(four(), 1, Quiet()), DefaultPlan(), func(Row) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("emit's error came back as %v", err)
	}
	p := DefaultPlan()
	p.Ways = "sideways"
	if err := Simulate(Draw(four(), 1, Quiet()), p, func(Row) error { return nil }); err == nil {
		t.Error("a plan of unknown ways was accepted")
	}
}

func TestTruthJSONSaysSimulated(t *testing.T) {
	t.Parallel()
	b, err := json.Marshal(Draw(four(), 1, DefaultDisturbances()))
	if err != nil || !strings.Contains(string(b), `"simulated":true`) {
		t.Errorf("truth without its mark: %v %s", err, b)
	}
}
