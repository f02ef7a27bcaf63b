package fit

import (
	"math"
	"testing"
)

// lumpedSeries has a reading each 4 ms, handed over each 16 ms: four a lump, all with
// its time.
func lumpedSeries(n int) *Series {
	s := &Series{}
	for i := range n {
		s.T = append(s.T, 0.016*float64(i/4+1))
		s.V, s.Late = append(s.V, 0), append(s.Late, i%4)
	}
	return s
}

func TestLumpWait(t *testing.T) {
	// Oracle: by the definition. The last of each lump was made between 0 and 4 ms
	// before it came: 2 ms, u = 4/√12 = 1.1547 ms.
	mean, u := lumpWait(lumpedSeries(400))
	if math.Abs(mean-0.002) > 1e-9 || math.Abs(u-0.0011547) > 1e-7 {
		t.Errorf("waits %v ± %v", mean, u)
	}
	single := lumpedSeries(400)
	for i := range single.Late {
		single.Late[i] = 0
	}
	for what, s := range map[string]*Series{"one by one": single, "nothing known": {T: []float64{1, 2}, V: []float64{0, 0}}, "none": nil, "one lump": lumpedSeries(4)} {
		if mean, u := lumpWait(s); mean != 0 || u != 0 {
			t.Errorf("%s: waits %v ± %v", what, mean, u)
		}
	}
}

func TestLatencyBeforehand(t *testing.T) {
	one := *lumpedSeries(400)
	plain := &Series{T: one.T, V: one.V}
	in := Input{Sweeps: []Sweep{{Indicator: "open", Height: one, Encoder: plain}, {Indicator: "told", Height: one, Encoder: plain},
		{Indicator: "even", Height: *plain, Encoder: plain}, {Indicator: "both", Height: one, Encoder: &one}},
		Priors: Priors{Default: IndicatorPrior{LatencyUMS: 50, FromArrivals: true}, Indicators: map[string]IndicatorPrior{"told": {LatencyMS: 30, LatencyUMS: 5}}}}
	j := newJob(in)
	for name, want := range map[string]struct {
		ms, u float64
		from  string
	}{"open": {2, math.Hypot(50, 1.1547), "arrivals"}, "told": {30, 5, "bench file"}, "even": {0, 50, "assumed"}, "both": {0, math.Hypot(50, 1.1547*math.Sqrt2), "arrivals"}} {
		p := j.indicatorPrior(name)
		if math.Abs(p.LatencyMS-want.ms) > 1e-6 || math.Abs(p.LatencyUMS-want.u) > 1e-4 || j.priorFrom(name) != want.from {
			t.Errorf("%s: %v ± %v ms from %s, want %+v", name, p.LatencyMS, p.LatencyUMS, j.priorFrom(name), want)
		}
	}
	if len(in.Priors.Indicators) != 1 {
		t.Error("the caller's priors were changed")
	}
}
