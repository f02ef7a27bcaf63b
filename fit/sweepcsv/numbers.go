package sweepcsv

// defaults numbers the setups and zeroings that the file leaves empty, one a
// cylinder and indicator, above every number that it gives.
func (g *gatherer) defaults() *numbers {
	n := &numbers{given: map[place]int{}}
	for _, s := range g.sweeps {
		n.highest = max(n.highest, s.first.Setup, s.first.Zeroing)
	}
	return n
}

type place struct {
	cylinder  int
	indicator string
}

type numbers struct {
	highest int
	given   map[place]int
}

func (n *numbers) of(l line) int {
	p := place{*l.Cylinder, l.Indicator}
	if n.given[p] == 0 {
		n.given[p] = n.highest + len(n.given) + 1
	}
	return n.given[p]
}
