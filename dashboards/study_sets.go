package dashboards

import (
	"slices"
	"sync"

	"crownmark/fit"
)

// sweepSet is what one index is made of: of one mounting, each cylinder once.
type sweepSet struct {
	mount, repeat int // from 1
	sweeps        []fit.Sweep
}

// setsOf splits a job's sweeps into complete sets: within a mounting the n-th
// set has each cylinder's n-th sweep each way (of cylinders swept one way only,
// its next two: one alone cannot tell the latency). A set needs the reference
// and another cylinder; the mounting has as many as its cylinders all have.
// spare counts the sweeps that are in no set, a closing sweep of the reference
// among them.
func setsOf(in fit.Input) (sets []sweepSet, spare int) {
	byMount := map[int][]fit.Sweep{}
	var order []int
	for _, w := range in.Sweeps {
		if byMount[w.Mount] == nil {
			order = append(order, w.Mount)
		}
		byMount[w.Mount] = append(byMount[w.Mount], w)
	}
	mount := 0
	for _, m := range order {
		found := setsOfMount(byMount[m], in.Engine.ReferenceCylinder)
		spare += len(byMount[m])
		if len(found) > 0 {
			mount++
		}
		for n, sweeps := range found {
			sets = append(sets, sweepSet{mount, n + 1, sweeps})
			spare -= len(sweeps)
		}
	}
	return sets, spare
}

// setsOfMount gives each set's sweeps in the order they were made.
func setsOfMount(all []fit.Sweep, reference int) (sets [][]fit.Sweep) {
	pairs := map[int][][]int{} // by cylinder: places in all
	var cylinders []int
	for _, w := range all {
		if !slices.Contains(cylinders, w.Cylinder) {
			cylinders = append(cylinders, w.Cylinder)
			pairs[w.Cylinder] = pairsOf(all, w.Cylinder)
		}
	}
	if len(cylinders) < 2 || len(pairs[reference]) == 0 {
		return nil
	}
	n := len(pairs[reference])
	for _, c := range cylinders {
		if len(pairs[c]) > 0 { // a cylinder without a pair has no value in this mounting
			n = min(n, len(pairs[c]))
		}
	}
	for k := range n {
		var places []int
		for _, c := range cylinders {
			if k < len(pairs[c]) {
				places = append(places, pairs[c][k]...)
			}
		}
		slices.Sort(places)
		var set []fit.Sweep
		for _, i := range places {
			set = append(set, all[i])
		}
		sets = append(sets, set)
	}
	return sets
}

// pairsOf pairs a cylinder's sweeps: there and back, or one after the other.
func pairsOf(all []fit.Sweep, cylinder int) (pairs [][]int) {
	var there, back []int
	for i, w := range all {
		switch {
		case w.Cylinder != cylinder:
		case wayOf(w) < 0:
			back = append(back, i)
		default:
			there = append(there, i)
		}
	}
	if len(back) == 0 || len(there) == 0 {
		for two := range slices.Chunk(append(there, back...), 2) {
			if len(two) == 2 {
				pairs = append(pairs, two)
			}
		}
		return pairs
	}
	for k := range min(len(there), len(back)) {
		pairs = append(pairs, []int{there[k], back[k]})
	}
	return pairs
}

// wayOf is −1 for a sweep against running direction, by where the encoder
// stood at its beginning and its end.
func wayOf(w fit.Sweep) int {
	if w.Encoder == nil || len(w.Height.T) == 0 || len(w.Encoder.T) == 0 {
		return 1
	}
	at := func(t float64) float64 {
		i, _ := slices.BinarySearch(w.Encoder.T, t)
		return w.Encoder.V[min(i, len(w.Encoder.V)-1)]
	}
	if at(w.Height.T[len(w.Height.T)-1]) < at(w.Height.T[0]) {
		return -1
	}
	return 1
}

// setValue is the index error of one cylinder out of one set of sweeps.
type setValue struct {
	mount, repeat, cylinder int
	deg                     float64
}

// fitSets gives the index errors of each set that has them all.
func (s *Server) fitSets(job int64, in fit.Input, sets []sweepSet) (values []setValue, err error) {
	for _, set := range sets {
		part := in
		part.Sweeps, part.Marks = set.sweeps, nil
		index, err := s.solver.run(job, part)
		if err != nil {
			return nil, err
		}
		for _, c := range index.Cylinders {
			if c.IndexErrorDeg != nil && c.Number != index.ReferenceCylinder {
				values = append(values, setValue{set.mount, set.repeat, c.Number, *c.IndexErrorDeg})
			}
		}
	}
	return values, nil
}

// setFits keeps the values of jobs that did not change: each is many fits. Whoever
// asks for a job while it is fitted waits.
type setFits struct {
	mu   sync.Mutex
	jobs map[int64]*setFit
}

type setFit struct {
	mu       sync.Mutex
	revision string
	values   []setValue
}

func newSetFits() *setFits { return &setFits{jobs: map[int64]*setFit{}} }

// of gives a job's values as of a revision, made by fit where they are not known.
func (f *setFits) of(job int64, revision string, fit func() ([]setValue, error)) ([]setValue, error) {
	f.mu.Lock()
	if len(f.jobs) > 4*mostStudied && f.jobs[job] == nil {
		clear(f.jobs)
	}
	one := f.jobs[job]
	if one == nil {
		one = &setFit{}
		f.jobs[job] = one
	}
	f.mu.Unlock()
	one.mu.Lock()
	defer one.mu.Unlock()
	if one.revision == revision {
		return one.values, nil
	}
	values, err := fit()
	if err == nil {
		one.revision, one.values = revision, values
	}
	return values, err
}
