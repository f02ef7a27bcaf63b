//go:build accuracy

package main

import (
	"math"
	"math/rand/v2"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// known is how far many figures were off, against their doubts.
type known struct{ n, inside, square, doubt, off float64 }

func (k *known) add(off, u95 float64) {
	k.n++
	if math.Abs(off) <= u95 {
		k.inside++
	}
	k.square += off * off / (u95 * u95) * 1.96 * 1.96
	k.doubt += u95 * u95
	k.off += off * off
}

func (k *known) tell(t *testing.T, what string, unit float64) {
	t.Helper()
	t.Logf("%-26s %4.0f: covered %.1f %%; off by %.2f, doubted by %.2f (rms); %.2f of its doubt", what, k.n, 100*k.inside/k.n,
		unit*math.Sqrt(k.off/k.n), unit*math.Sqrt(k.doubt/k.n)/1.96, math.Sqrt(k.square/k.n))
}

// shiftUMM is how far a crank sits elsewhere in its bearings from sweep to
// sweep, as the fit takes it to be.
const shiftUMM = 0.02

// perfect is the correction of who knows an indicator's error curve.
func perfect(i virtual.Indicator) *fit.Correction {
	p := virtual.Plunger{Faults: i.IndicatorFaults}
	p.MoveTo(1)
	rest := p.MoveTo(0)
	c := &fit.Correction{}
	for at := 0.0; at < i.TravelMM+1; at += 0.02 {
		reading := at + i.ErrorMM(at) - rest
		c.ReadingMM, c.CorrectionMM = append(c.ReadingMM, reading), append(c.CorrectionMM, at-reading)
	}
	return c
}

// withoutDoubt is a correction that is taken to be certain.
func withoutDoubt(c fit.Correction) *fit.Correction {
	c.U95MM, c.BetweenU95MM = nil, nil
	return &c
}

// Many indicators, each calibrated and used once: the calibration's own part of
// the doubt covers what a perfect knowledge of the error curve would change, and
// the whole doubt covers the truth. What the fit assumes of a hand that lets the
// bar go between sweeps (shiftUMM) happens here.
func TestDoubtOfHeightsCoversManyCalibratedJobs(t *testing.T) {
	jobs := jobsAsked(t, "CROWNMARK_CALIBRATED_JOBS", 200)
	e, err := readEngine("testdata/engines/shed-twin.toml")
	if err != nil {
		t.Fatal(err)
	}
	var peak, deck, scale, top, index, whole, high known
	for seed := uint64(1); seed <= uint64(jobs); seed++ {
		truth := faultyTruth(e, seed)
		file := sweptBy(t, truth)
		r := rand.New(rand.NewPCG(seed, 0xca1))
		for i := range file.Sweeps {
			file.Sweeps[i].DeckZero = true
			seat := shiftUMM * r.NormFloat64()
			for k := range file.Sweeps[i].Height.V {
				file.Sweeps[i].Height.V[k] += seat
			}
		}
		c := calibratedOnBlocks(t, truth, "left")
		x, sure, ideal := fitted(t, e, file, c), fitted(t, e, file, withoutDoubt(*c)), fitted(t, e, file, perfect(truth.Indicators[0]))
		want := peaks(truth)
		for i := range x.Cylinders {
			a, b, o := &x.Cylinders[i], &sure.Cylinders[i], &ideal.Cylinders[i]
			part := func(of func(*fit.Cylinder) (value, u95 *float64)) (off, u95 float64) {
				v, u := of(a)
				_, less := of(b)
				right, _ := of(o)
				return *v - *right, math.Sqrt(math.Max(*u**u-*less**less, 1e-18))
			}
			peak.add(part(func(c *fit.Cylinder) (*float64, *float64) { return c.PeakMM, c.PeakU95MM }))
			deck.add(part(func(c *fit.Cylinder) (*float64, *float64) { return c.DeckMM, c.DeckU95MM }))
			scale.add(part(func(c *fit.Cylinder) (*float64, *float64) { return c.Scale, c.ScaleU95 }))
			top.add(part(func(c *fit.Cylinder) (*float64, *float64) { return c.TDCDeg, c.TDCU95Deg }))
			if a.Number != e.Reference() {
				index.add(part(func(c *fit.Cylinder) (*float64, *float64) { return c.IndexErrorDeg, c.IndexU95Deg }))
			}
			whole.add(*a.PeakMM-want[a.Number].peak, *a.PeakU95MM)
			high.add(*a.DeckMM-want[a.Number].deck, *a.DeckU95MM)
		}
	}
	peak.tell(t, "peak, calibration's part", 1000)
	deck.tell(t, "deck, calibration's part", 1000)
	scale.tell(t, "scale, calibration's part", 1e6)
	top.tell(t, "top, calibration's part", 1e6)
	index.tell(t, "index, calibration's part", 1e6)
	whole.tell(t, "peak, whole doubt", 1000)
	high.tell(t, "deck, whole doubt", 1000)
	for what, k := range map[string]known{"peak": peak, "deck": deck, "scale": scale, "top": top, "index": index} {
		if k.inside < 0.93*k.n {
			t.Errorf("%s: the calibration's part of the doubt covers %.1f %% of %.0f", what, 100*k.inside/k.n, k.n)
		}
	}
	between(t, "peak, coverage", whole.inside/whole.n, 0.92, 0.985)
	between(t, "deck, coverage", high.inside/high.n, 0.92, 0.985)
}

// faultyTruth draws an indicator's faults too; its displays are zeroed up to 3 mm
// below the tops.
func faultyTruth(e engine.Engine, seed uint64) virtual.Truth {
	d := virtual.DefaultDisturbances()
	d.ScaleError, d.BumpMM, d.HysteresisMM = virtual.Range{Lo: -0.02, Hi: 0.02}, virtual.Range{Lo: -0.01, Hi: 0.01}, virtual.Range{Hi: 0.004}
	d.ZeroMM = virtual.Range{Hi: 3}
	return virtual.Draw(virtualEngine(e), seed, d)
}
