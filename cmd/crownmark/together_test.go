package main

import (
	"bytes"
	"math"
	"reflect"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
	"crownmark/fit/sweepcsv"
)

// agreement is how the index error of cylinder 4 against 1 came out over many
// jobs: with what two sweeps share, and with each sweep's encoder taken for its own.
type agreement struct{ jobs, inside, u95, square float64 }

func (a *agreement) add(off, u95 float64) {
	a.jobs++
	a.u95 += u95
	a.square += off * off
	if math.Abs(off) <= u95 {
		a.inside++
	}
}

// companions sweeps cylinders 1 and 4 of many virtual benches with these indicators.
func companions(t *testing.T, jobs, counts int, indicators ...string) (shared, apart agreement) {
	t.Helper()
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	d := virtual.DefaultDisturbances()
	d.CountsPerRev, d.Indicators = []int{counts}, indicators
	plan := virtual.DefaultPlan()
	plan.Cylinders, plan.Closing = []int{1, 4}, false
	for seed := range jobs {
		truth := virtual.Draw(virtualEngine(e), uint64(seed)+1000, d)
		sweeps := sweepsOf(t, truth, plan)
		want := truth.Cylinders[3].IndexErrorDeg
		both, closure := solved4(t, e, sweeps)
		if closure != nil { // cylinder 4 was swept with the reference, not before it
			t.Errorf("seed %d: closure %g° of a reference that was not swept again", seed, *closure)
		}
		for i := range sweeps {
			own := *sweeps[i].Encoder
			sweeps[i].Encoder = &own
		}
		each, _ := solved4(t, e, sweeps)
		if len(indicators) == 1 && !reflect.DeepEqual(both, each) {
			t.Errorf("seed %d: swept apart, %+v became %+v", seed, each, both)
		}
		shared.add(*both.IndexErrorDeg-want, *both.IndexU95Deg)
		apart.add(*each.IndexErrorDeg-want, *each.IndexU95Deg)
	}
	t.Logf("%d counts, %v: covered %.1f %% (apart %.1f %%), doubt %.2f of that apart, error %.2f", counts, indicators,
		100*shared.inside/shared.jobs, 100*apart.inside/apart.jobs, shared.u95/apart.u95, math.Sqrt(shared.square/apart.square))
	return shared, apart
}

func sweepsOf(t *testing.T, truth virtual.Truth, plan virtual.Plan) []fit.Sweep {
	t.Helper()
	var csv bytes.Buffer
	if err := simulateTo(t.Context(), &csv, truth, plan); err != nil {
		t.Fatal(err)
	}
	file, err := sweepcsv.Read("sweeps.csv", &csv)
	if err != nil {
		t.Fatal(err)
	}
	return file.Sweeps
}

// solved4 is cylinder 4's row, and the closure.
func solved4(t *testing.T, e engine.Engine, sweeps []fit.Sweep) (fit.Cylinder, *float64) {
	t.Helper()
	x, err := fit.Solve(fit.Input{Engine: e, Priors: fit.DefaultPriors(), Sweeps: sweeps, Simulated: true, DirectionConfirmed: true})
	if err != nil {
		t.Fatal(err)
	}
	c := x.Cylinders[3]
	if c.Number != 4 || c.IndexErrorDeg == nil {
		t.Fatalf("cylinder %d: no index: %v, %s", c.Number, c.Flags, x.Status)
	}
	return c, x.ClosureDeg
}

// Two indicators at once on companion cylinders: a coarse encoder's error is
// the same for both. The doubt of the difference shrinks and holds; swept apart
// nothing changes. The oracle is the virtual bench's truth.
func TestTwoIndicatorsAtOnce(t *testing.T) {
	t.Parallel()
	shared, apart := companions(t, 8, 1440, "left", "right")
	if !(shared.u95 < 0.75*apart.u95) || shared.inside < 6 {
		t.Errorf("doubt %.5f°, apart %.5f°; %v of %v inside", shared.u95/shared.jobs, apart.u95/apart.jobs, shared.inside, shared.jobs)
	}
	if rms := math.Sqrt(shared.square / shared.jobs); !(1.96*rms < 1.5*shared.u95/shared.jobs) {
		t.Errorf("off by %.5f° (rms) for a doubt of %.5f°", rms, shared.u95/shared.jobs)
	}
	companions(t, 1, 1440, "left")
}
