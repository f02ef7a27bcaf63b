package virtual

import (
	"context"
	"math"
	"testing"
)

// lines keeps what instruments said.
type lines []line

func (l *lines) put(x line) error { *l = append(*l, x); return nil }

// On the head the display shows the head's scale, the preload and the
// indicator's own faults: the error at the plunger's place and, moving out, the
// hysteresis more; zeroed at the stop, which the plunger came back to.
func TestIndicatorOnTheHead(t *testing.T) {
	t.Parallel()
	truth := Draw(four(), 3, Quiet())
	f := IndicatorFaults{ScaleError: 0.01, Bumps: []Bump{{AtMM: 5, WidthMM: 1, HeightMM: 0.008}}, HysteresisMM: 0.004}
	truth.Indicators[0].IndicatorFaults, truth.Indicators[0].Unit, truth.Indicators[0].Step = f, "mm", 0.001
	name := truth.Indicators[0].Name
	var said lines
	b, err := newBench(truth, &said)
	if err != nil {
		t.Fatal(err)
	}
	o := newOperator(context.Background(), b)
	head := DefaultHead()
	head.SetUMM, head.OvershootShare = 0, 0
	if err := o.ToStand(name, head); err != nil || !o.OnStand(name) {
		t.Fatal(err)
	}
	rest := 0.002 + f.ErrorMM(0.002)
	for _, p := range []struct {
		mm    float64
		below bool
		half  float64
	}{{0, true, -0.002}, {4.7, true, -0.002}, {10, true, -0.002}, {10, false, 0.002}, {4.7, false, 0.002}, {0, false, 0.002}} {
		if err := o.HeadTo(name, p.mm, p.below, false); err != nil {
			t.Fatal(err)
		}
		if err := o.Rest(1); err != nil {
			t.Fatal(err)
		}
		held := p.mm + head.PreloadMM + p.half
		var got float64
		for _, l := range said {
			if l.port == 1 {
				got = l.value
			}
		}
		if want := held + f.ErrorMM(held) - rest; math.Abs(got-want) > truth.Indicators[0].Step/2+1e-9 {
			t.Errorf("at %g (from below: %v) it shows %.5f, want %.5f", p.mm, p.below, got, want)
		}
	}
	if err := o.Stand(name, 1); err != nil || o.OnStand(name) {
		t.Errorf("on a piston it is still on the head (%v)", err)
	}
	if err := o.HeadTo(name, 1, true, false); err == nil {
		t.Error("the head was set for an indicator on a piston")
	}
}

// A hand that is asked to come anew goes back; one that is clumsy passes the
// point.
func TestHandAtTheHead(t *testing.T) {
	t.Parallel()
	truth := Draw(four(), 3, Quiet())
	name := truth.Indicators[0].Name
	truth.Indicators[0].Unit, truth.Indicators[0].Step = "mm", 0.001
	var said lines
	b, err := newBench(truth, &said)
	if err != nil {
		t.Fatal(err)
	}
	o := newOperator(context.Background(), b)
	head := DefaultHead()
	head.SetUMM, head.OvershootShare = 0, 1
	if err := o.ToStand(name, head); err != nil {
		t.Fatal(err)
	}
	extremes := func(anew bool) (lo, hi float64) {
		from := len(said)
		if err := o.HeadTo(name, 2, true, anew); err != nil {
			t.Fatal(err)
		}
		if err := o.Rest(1); err != nil {
			t.Fatal(err)
		}
		lo, hi = math.Inf(1), math.Inf(-1)
		for _, l := range said[from:] {
			if l.port == 1 {
				lo, hi = min(lo, l.value), max(hi, l.value)
			}
		}
		return lo, hi
	}
	if lo, hi := extremes(false); lo > 1 || hi < 2.31 {
		t.Errorf("the clumsy hand went from %.3f to %.3f", lo, hi)
	}
	if lo, hi := extremes(true); lo > 2.1 || hi > 2.301 {
		t.Errorf("asked to come anew it went from %.3f to %.3f", lo, hi)
	}
	head.OvershootShare = 0
	b.heads[0].OvershootShare = 0
	if lo, hi := extremes(false); math.Abs(lo-2.3) > 0.001 || math.Abs(hi-2.3) > 0.001 {
		t.Errorf("standing there it went from %.3f to %.3f", lo, hi)
	}
}
