package virtual

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
)

func TestHooksTellTheJobInOrder(t *testing.T) {
	t.Parallel()
	truth := Draw(four(), 11, DefaultDisturbances())
	var told []string
	say := func(format string, a ...any) error { told = append(told, fmt.Sprintf(format, a...)); return nil }
	p := DefaultPlan()
	p.Cylinders, p.Marks, p.Presses = []int{1, 3}, []float64{-10}, 2
	script := Job(p, Hooks{
		OnStart:     func(*Operator) error { return say("start") },
		OnDirection: func(*Operator) error { return say("direction") },
		OnPlace:     func(_ *Operator, ind string, c int) error { return say("%s on %d", ind, c) },
		OnSweepDone: func(_ *Operator, c, way int) error { return say("%d swept %+d", c, way) },
		OnMark: func(o *Operator, m float64) error {
			// mark error = top + mark − crank angle, read by eye to 0.2°.
			if got := m - o.AfterTopDeg(1); math.Abs(got-truth.Damper.MarkErrorDeg) > 0.8 {
				t.Errorf("the mark is off by %.2f°, want about %.2f°", got, truth.Damper.MarkErrorDeg)
			}
			return say("mark %g", m)
		},
		OnEnd: func(*Operator) error { return say("end") },
	})
	if err := SimulateScript(t.Context(), truth, script, func(Row) error { return nil }); err != nil {
		t.Fatal(err)
	}
	want := []string{"start", "direction", "left on 1", "1 swept +1", "1 swept -1", "left on 3", "3 swept +1", "3 swept -1",
		"left on 1", "1 swept +1", "1 swept -1", "mark -10", "mark -10", "end"}
	if !slices.Equal(told, want) {
		t.Errorf("told %q,\nwant %q", told, want)
	}
	if err := SimulateScript(t.Context(), truth, func(o *Operator) error { return o.Unplug("left") }, nil); !errors.Is(err, errNoPorts) {
		t.Errorf("unplugging without ports: %v", err)
	}
}

// A hand sweeps unevenly, but between 2 and 15 °/s away from starts and stops.
func TestHandIsUnevenWithinItsLimits(t *testing.T) {
	t.Parallel()
	d := DefaultDisturbances()
	d.Hand.RegripShare = 0
	var speeds []float64
	err := SimulateScript(t.Context(), Draw(four(), 3, d), Job(DefaultPlan(), Hooks{}), func() func(Row) error {
		prev := map[int]Row{}
		return func(r Row) error {
			if r.HeightMM != nil && math.Abs(*r.HeightMM) < 3 { // within some ±18° of a top
				if was, ok := prev[r.Sweep]; ok && r.TS-was.TS > 0.5 {
					speeds = append(speeds, math.Abs(r.AngleDeg-was.AngleDeg)/(r.TS-was.TS))
					prev[r.Sweep] = r
				} else if !ok {
					prev[r.Sweep] = r
				}
			}
			return nil
		}
	}())
	if err != nil {
		t.Fatal(err)
	}
	lo, hi := slices.Min(speeds), slices.Max(speeds)
	if lo < 1.9 || hi > 15.1 || hi/lo < 1.5 {
		t.Errorf("speeds from %.1f to %.1f °/s, want uneven ones between 2 and 15", lo, hi)
	}
}

func TestSpikesComeAsOftenAsTold(t *testing.T) {
	t.Parallel()
	d := Quiet()
	d.SpikeShare = Range{0.02, 0.02}
	d.Steps = []Step{{"mm", 0.001}}
	clean := Draw(four(), 1, d)
	clean.Indicators[0].SpikeShare = 0
	texts := func(truth Truth) (out []string) {
		p := DefaultPlan()
		p.Repeats = 4
		for _, r := range rows(t, truth, p) {
			if r.HeightMM != nil {
				out = append(out, r.Text)
			}
		}
		return out
	}
	n := 0
	good, all := texts(clean), texts(Draw(four(), 1, d))
	for _, s := range all {
		if !slices.Contains(good, s) {
			n++
		}
	}
	if share := float64(n) / float64(len(all)); share < 0.008 || share > 0.03 {
		t.Errorf("%.3f of %d lines are spiked, want about 0.02", share, len(all))
	}
}

func TestLoseCountsAndRemountBeginMounts(t *testing.T) {
	t.Parallel()
	var at []int64
	mounts := map[int]bool{}
	err := SimulateScript(t.Context(), Draw(four(), 1, DefaultDisturbances()), func(o *Operator) error {
		if err := o.Rest(0.2); err != nil {
			return err
		}
		o.LoseCounts()
		if err := o.Rest(0.2); err != nil {
			return err
		}
		o.Remount(90)
		return o.Rest(0.2)
	}, func(r Row) error {
		mounts[r.Mount] = true
		if r.Mount == 2 {
			at = append(at, r.Count)
		}
		return nil
	})
	if err != nil || len(mounts) != 3 || len(at) == 0 || at[len(at)-1] != 0 {
		t.Errorf("%v; %d mounts, want 3; count after the loss %v, want 0", err, len(mounts), at)
	}
}

func BenchmarkSimulate(b *testing.B) {
	truth := Draw(four(), 1, DefaultDisturbances())
	for b.Loop() {
		if err := Simulate(truth, DefaultPlan(), func(Row) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}
