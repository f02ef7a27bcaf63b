package engine_test

import (
	"testing"

	"crownmark/fit/engine"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// The orders were found by hand, with the tops drawn on a wheel.
func TestOrderOfSweeping(t *testing.T) {
	t.Parallel()
	tops := func(deg ...float64) engine.Engine {
		e := engine.Engine{CycleDeg: 720, ReferenceCylinder: 1}
		for i, d := range deg {
			e.Cylinder = append(e.Cylinder, engine.Cylinder{Number: i + 1, TDCDeg: d})
		}
		return e
	}
	for name, c := range map[string]struct {
		engine   engine.Engine
		turn     []int
		cycle    []int
		together [][]int
	}{
		"even four": {engine.Engine{FiringOrder: []int{1, 3, 4, 2}}, []int{1, 4, 2, 3}, []int{1, 3, 4, 2}, [][]int{{1, 4}, {2, 3}}},
		"another reference": {engine.Engine{FiringOrder: []int{1, 3, 4, 2}, ReferenceCylinder: 3}, []int{3, 2, 1, 4}, []int{3, 4, 2, 1},
			[][]int{{3, 2}, {1, 4}}},
		"straight six": {engine.Engine{FiringOrder: []int{1, 5, 3, 6, 2, 4}}, []int{1, 6, 2, 5, 3, 4}, []int{1, 5, 3, 6, 2, 4},
			[][]int{{1, 6}, {2, 5}, {3, 4}}},
		"five":       {engine.Engine{FiringOrder: []int{1, 2, 4, 5, 3}}, []int{1, 5, 2, 3, 4}, []int{1, 2, 4, 5, 3}, [][]int{{1}, {5}, {2}, {3}, {4}}},
		"two-stroke": {engine.Engine{CycleDeg: 360, FiringOrder: []int{1, 2, 3}}, []int{1, 2, 3}, []int{1, 2, 3}, [][]int{{1}, {2}, {3}}},
		"odd vee":    {tops(0, 90, 240, 330, 480, 570), []int{1, 2, 5, 6, 3, 4}, []int{1, 2, 3, 4, 5, 6}, [][]int{{1}, {2}, {5}, {6}, {3}, {4}}},
		"a little before the reference": {tops(0, 354, 180, 545), []int{1, 2, 3, 4}, []int{1, 3, 2, 4},
			[][]int{{1, 2}, {3, 4}}},
		"beyond ten degrees":          {tops(0, 349, 180, 551), []int{1, 3, 4, 2}, []int{1, 3, 2, 4}, [][]int{{1}, {3}, {4}, {2}}},
		"one cylinder, no neighbours": {engine.Engine{FiringOrder: []int{1}}, []int{1}, []int{1}, [][]int{{1}}},
	} {
		if diff := cmp.Diff([][]int{c.turn, c.cycle}, [][]int{c.engine.Order(false), c.engine.Order(true)}); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
		if diff := cmp.Diff(c.together, c.engine.Together()); diff != "" {
			t.Errorf("%s: together: %s", name, diff)
		}
	}
}

func TestEveryOrderNamesEachCylinderOnceReferenceFirst(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 16).Draw(t, "n")
		e := engine.Engine{FiringOrder: rapid.Permutation(upTo(n)).Draw(t, "order"), ReferenceCylinder: rapid.IntRange(1, n).Draw(t, "reference")}
		for _, compression := range []bool{false, true} {
			if o := e.Order(compression); !e.IsOrder(o) || o[0] != e.ReferenceCylinder {
				t.Errorf("order %v", o)
			}
		}
		if e.IsOrder(append(e.Order(false), 1)) || e.IsOrder(e.Order(false)[1:]) {
			t.Error("one too many, or one missing, is no order")
		}
	})
}
