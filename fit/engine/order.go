package engine

import (
	"cmp"
	"math"
	"slices"
)

// upTogetherDeg: pistons whose tops lie this close within one turn stand side
// by side, and are swept one after the other without turning on in between.
const upTogetherDeg = 10

// Order is the order in which the cylinders are best swept: by their nominal
// tops after the reference, in running direction. Within one turn each next
// top is the next one reached, and pistons that come up together follow each
// other. With compression set it is the order of the compression tops within
// the cycle, the firing order: both valves are shut there, and where a tool
// goes in through the plug hole nothing but the piston moves.
func (e Engine) Order(compression bool) []int {
	tops := e.Tops()
	slices.SortStableFunc(tops, func(a, b Top) int {
		if compression {
			return cmp.Compare(a.NominalDeg, b.NominalDeg)
		}
		return cmp.Compare(placeInTurn(a), placeInTurn(b))
	})
	first := slices.IndexFunc(tops, func(t Top) bool { return t.Number == e.Reference() })
	if first > 0 {
		t := tops[first]
		tops = slices.Insert(slices.Delete(tops, first, first+1), 0, t)
	}
	order := make([]int, len(tops))
	for i, t := range tops {
		order[i] = t.Number
	}
	return order
}

// placeInTurn is where a top lies in one turn. What comes up just before the
// reference comes up together with it, and counts as its neighbour.
func placeInTurn(t Top) float64 {
	p := math.Mod(t.NominalDeg, 360)
	if p >= 360-upTogetherDeg {
		p -= 360
	}
	return p
}

// Together says which cylinders come up side by side: within 10° of each
// other in one turn, in the order of Order.
func (e Engine) Together() [][]int {
	var groups [][]int
	var from float64
	for _, n := range e.Order(false) {
		t, _ := e.Top(n)
		p := placeInTurn(t)
		if len(groups) > 0 && math.Abs(math.Remainder(p-from, 360)) <= upTogetherDeg {
			groups[len(groups)-1] = append(groups[len(groups)-1], n)
			continue
		}
		groups, from = append(groups, []int{n}), p
	}
	return groups
}

// IsOrder says whether order names every cylinder once.
func (e Engine) IsOrder(order []int) bool {
	given, all := slices.Clone(order), e.Order(false)
	slices.Sort(given)
	slices.Sort(all)
	return slices.Equal(given, all)
}
