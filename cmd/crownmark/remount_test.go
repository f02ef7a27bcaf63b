package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
)

// The whole way of a re-clocked encoder over real ports: a bench whose encoder
// sits well off the axis is swept, the adapter is turned by 180°, which the program is told,
// and all is swept again. The angle reaches the fit; the index error is right within
// a doubt that it could not have without.
func TestRemountReachesTheFit(t *testing.T) {
	t.Parallel()
	d := remountDemo(t)
	ctx, end := context.WithCancel(t.Context())
	defer end()
	ran := make(chan error, 1)
	go func() { ran <- d.run(ctx, false) }()
	select {
	case <-d.rig.ScriptDone():
	case err := <-ran:
		t.Fatal(err)
	}
	remounted(t, d)
	end()
	<-ran
}

// remountDemo is a bench whose file declares how its encoder may sit, and a
// person who turns the adapter once.
func remountDemo(t *testing.T) *demo {
	t.Helper()
	disturb := virtual.DefaultDisturbances()
	disturb.EccentricityUDeg, disturb.AccuracyUDeg = 0.08, 0
	return twinDemo(t, disturb, nil, func(d *demo) virtual.Script {
		plan, hooks := virtual.DefaultPlan(), d.builder.hooks()
		plan.Remounts, plan.Closing = []float64{180}, false
		hooks.OnRemount = func(o *virtual.Operator) error {
			return d.builder.call(o.Context(), "POST", "/api/v1/bench/mount", map[string]any{"turned_deg": 180}, nil)
		}
		return virtual.Job(plan, hooks)
	}, func(rig *virtual.Rig) string {
		path := filepath.Join(t.TempDir(), "demo.toml")
		if _, err := writeDemoBench(path, rig, "127.0.0.1:0"); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		declared := strings.Replace(string(text), "eccentricity_u_deg = 0.002", "eccentricity_u_deg = 0.08", 1)
		if declared == string(text) {
			t.Fatalf("the bench file is another:\n%s", text)
		}
		return declared
	})
}

func remounted(t *testing.T, d *demo) {
	t.Helper()
	in, _, err := d.daemon.store.Input(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[float64]int{}
	for _, w := range in.Sweeps {
		if w.ReclockDeg == nil {
			t.Fatalf("sweep %d of mount %d: nobody told how the adapter stands", w.ID, w.Mount)
		}
		seen[*w.ReclockDeg]++
	}
	if len(seen) != 2 || seen[0] != seen[180] {
		t.Errorf("sweeps by the adapter's angle: %v", seen)
	}
	x, err := d.builder.index(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i := range in.Sweeps {
		in.Sweeps[i].ReclockDeg = nil
	}
	untold, err := fit.Solve(in)
	if err != nil {
		t.Fatal(err)
	}
	got, want, without := x.Cylinders[1], d.rig.Truth().Cylinders[1].IndexErrorDeg, value(untold.Cylinders[1].IndexU95Deg)
	t.Logf("%s ± %.4f, truth %.4f; ± %.4f where nobody tells the angle", degrees(got.IndexErrorDeg, 4), value(got.IndexU95Deg), want, without)
	if got.IndexErrorDeg == nil || math.Abs(*got.IndexErrorDeg-want) > *got.IndexU95Deg || *got.IndexU95Deg > 0.9*without {
		t.Errorf("%s ± %.4f, truth %.4f; ± %.4f where nobody tells the angle", degrees(got.IndexErrorDeg, 4), value(got.IndexU95Deg), want, without)
	}
}
