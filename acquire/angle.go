package acquire

import (
	"math"

	"crownmark/acquire/wire"
)

// CountStep is how far an encoder went from one reading to the next, in ticks.
// A counter that runs over (at a full turn, or at 16, 24 or 32 bits) goes on:
// of the steps that could be meant the shortest is taken. A run-over counts
// only where both readings lie in the range such a counter shows. perTurn is
// the ticks of one turn of the crank.
func CountStep(from, to int64, perTurn float64) int64 {
	best := to - from
	for _, span := range [...]float64{perTurn, 1 << 16, 1 << 24, 1 << 32} {
		n := int64(math.Round(span))
		if n < 2 || float64(n) != span || !shows(n, from, to) {
			continue
		}
		for _, step := range [...]int64{to - from - n, to - from + n} {
			if abs(step) < abs(best) {
				best = step
			}
		}
	}
	return best
}

// shows tells whether a counter of n values, from 0 or about 0, shows both.
func shows(n, a, b int64) bool {
	lo, hi := min(a, b), max(a, b)
	return lo >= 0 && hi <= n || lo >= -n/2 && hi <= n/2
}

func abs(n int64) int64 { return max(n, -n) }

// TicksPerTurn is how many ticks of a reading make one turn of the crank.
func (c InstrumentConfig) TicksPerTurn(unit Unit, decimals int8) float64 {
	if unit == UnitDegree {
		return 360 * math.Pow10(int(decimals))
	}
	return c.CountsPerRev / c.scale() * math.Pow10(int(decimals))
}

// scale is what an encoder's tick is worth in counts.
func (c InstrumentConfig) scale() float64 {
	if c.Scale == 0 {
		return 1
	}
	return math.Abs(c.Scale)
}

// AngleDeg is an encoder's ticks as degrees of crank, in the configured
// direction. Ticks of a counter that runs over must be unwrapped before.
func (c InstrumentConfig) AngleDeg(ticks int64, unit Unit, decimals int8) float64 {
	return c.sign() * 360 * float64(ticks) / c.TicksPerTurn(unit, decimals)
}

// HeightMM is an indicator's reading in mm, growing as the piston rises.
func (c InstrumentConfig) HeightMM(r Reading) float64 {
	return c.sign() * wire.Value{Ticks: r.Ticks, Decimals: r.Decimals, Unit: r.Unit}.MM()
}

func (c InstrumentConfig) sign() float64 {
	if (c.Direction < 0) != (c.Kind == KindEncoder && c.Scale < 0) {
		return -1
	}
	return 1
}
