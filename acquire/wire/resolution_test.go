package wire

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestResolution(t *testing.T) {
	for name, c := range map[string]struct {
		step     int64
		decimals int8
		unit     Unit
		n        int
		want     float64
	}{
		"by the last digit": {1, 3, UnitMM, 100, 0.001},
		"by five":           {5, 3, UnitMM, 100, 0.005},
		"by ten":            {10, 3, UnitMM, 100, 0.01},
		"inches by five":    {5, 4, UnitInch, 100, 0.0127},
		"too little seen":   {1, 3, UnitMM, 20, 0},
	} {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(3, 1))
			var r Resolution
			r.Add(Value{Ticks: 7, Decimals: 2, Unit: c.unit}) // its display had fewer digits before
			for range c.n {
				r.Add(Value{Ticks: c.step * rng.Int64N(4000), Decimals: c.decimals, Unit: c.unit})
			}
			if got := r.MM(); math.Abs(got-c.want) > 1e-12 { // powers of ten round
				t.Errorf("%g mm, want %g", got, c.want)
			}
		})
	}
}
