package wire

import "math"

// Resolution is a display's step, learnt from the digits it has shown: some
// displays of three decimals go by 0.005. It is the greatest common divisor of
// all changes seen, in steps of the last digit; a wrong digit can only make it
// finer. The zero value has seen nothing.
type Resolution struct {
	last    Value
	begun   bool
	divisor int64
	changes int
}

// enoughChanges: by then a display by 1 that has shown only changes by 2, 5 or
// more is as good as impossible.
const enoughChanges = 30

// Add takes the next value. A display that changes its unit or its decimals is
// learnt anew.
func (r *Resolution) Add(v Value) {
	if !r.begun || v.Unit != r.last.Unit || v.Decimals != r.last.Decimals {
		*r = Resolution{last: v, begun: true}
		return
	}
	if step := v.Ticks - r.last.Ticks; step != 0 {
		r.changes++
		r.divisor = gcd(r.divisor, max(step, -step))
	}
	r.last = v
}

// MM is the step in millimetres, 0 before enough was seen to tell.
func (r *Resolution) MM() float64 {
	if r.changes < enoughChanges {
		return 0
	}
	mm := float64(r.divisor) * math.Pow10(-int(r.last.Decimals))
	if r.last.Unit == UnitInch {
		mm *= MMPerInch
	}
	return mm
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
