package wire

import (
	"math/big"
	"testing"
)

// The fuzz targets hold each format against a second decoder that is slow,
// sees all bytes at once, and was written another way. Whatever comes, both
// must accept the same readings.

// heardOf is what the format itself makes of bytes that come in pieces.
func heardOf(t *testing.T, f Framer, d Decoder, b []byte, piece int) (got []Value) {
	total := 0
	look := func(l Frame) {
		if total += len(l.Bytes); len(l.Bytes) > MaxFrame {
			t.Fatalf("a frame of %d bytes", len(l.Bytes))
		}
		if l.Cut != CutNone {
			return
		}
		if v, err := d.Decode(l.Bytes); err == nil {
			got = append(got, v)
		}
	}
	f.Silence(look)
	for rest := b; len(rest) > 0; {
		n := min(max(piece, 1), len(rest))
		f.Push(rest[:n], 1, look)
		rest = rest[n:]
	}
	f.Silence(look)
	if total > len(b) {
		t.Fatalf("%d bytes in, %d out", len(b), total)
	}
	return got
}

// slow is a reading as a slow decoder has it, in mm or counts.
type slow struct {
	value    *big.Rat
	decimals int
	unit     Unit
	rounded  bool // to decimals
}

func compare(t *testing.T, b []byte, got []Value, want []slow) {
	if len(got) != len(want) {
		t.Fatalf("%q: %d readings %+v, the slow decoder has %d", b, len(got), got, len(want))
	}
	for i, w := range want {
		off := new(big.Rat).Sub(exactly(got[i]), w.value)
		most := new(big.Rat)
		if w.rounded {
			most.SetFrac(big.NewInt(1), new(big.Int).Mul(big.NewInt(2), tenTo(w.decimals)))
		}
		if off.Abs(off).Cmp(most) > 0 || int(got[i].Decimals) != w.decimals || got[i].Unit != w.unit {
			t.Fatalf("%q: reading %d is %+v, the slow decoder says %v with %d decimals, unit %d", b, i, got[i], w.value, w.decimals, w.unit)
		}
	}
}

func tenTo(n int) *big.Int { return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil) }

func exactly(v Value) *big.Rat {
	return new(big.Rat).SetFrac(big.NewInt(v.Ticks), tenTo(int(v.Decimals)))
}

// fits tells whether a length in mm or inches is one that instruments show.
func (s slow) fits() bool {
	mm := new(big.Rat).Set(s.value)
	if s.unit == UnitInch {
		mm.Mul(mm, big.NewRat(127, 5))
	}
	return mm.Abs(mm).Cmp(big.NewRat(1000, 1)) <= 0
}
