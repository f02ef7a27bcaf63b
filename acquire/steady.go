package acquire

import (
	"cmp"
	"fmt"
	"slices"
)

// recent is what an instrument said last, thinned: does its display stand still?
type recent struct{ list []Reading }

const (
	recentMost     = 40
	recentEachNS   = 20e6  // of fast instruments one reading in so long is enough
	steadyForNS    = 600e6 // a hand that has let go of the bar is still for so long
	steadyReadings = 3     // readings
	steadyMostNS   = 5e9   // those of slow instruments may be this far apart
	freshNS        = 1.5e9 // the last one must be younger
	steadyMM       = 0.01  // flicker and a hand's breath; 0.05° at 12° from the top
)

func (r *recent) add(x Reading) {
	if n := len(r.list); n > 0 && x.AtNS-r.list[n-1].AtNS < recentEachNS {
		r.list[n-1] = x
		return
	}
	if len(r.list) == recentMost {
		r.list = append(r.list[:0], r.list[1:]...)
	}
	r.list = append(r.list, x)
}

// steady is the reading in the middle of those that the display showed while it
// stood still, up to now.
func (one *instrument) steady(nowNS int64) (Reading, error) {
	list := one.recent.list
	if one.opened == nil || len(list) == 0 {
		return Reading{}, fmt.Errorf("indicator %s is %w: get it going, or type the height", one.cfg.Name, ErrNotLive)
	}
	if age := nowNS - list[len(list)-1].AtNS; age > freshNS {
		return Reading{}, fmt.Errorf("indicator %s is %w: it last spoke %.1f s ago; get it going, or type the height", one.cfg.Name, ErrNotLive, float64(age)/1e9)
	}
	from := len(list)
	for from > 0 && nowNS-list[from-1].AtNS <= steadyForNS {
		from--
	}
	from = min(from, max(0, len(list)-steadyReadings))
	list = slices.Clone(list[from:])
	if len(list) < steadyReadings || nowNS-list[0].AtNS > steadyMostNS {
		return Reading{}, fmt.Errorf("%w: indicator %s has said too little to tell; hold the crank still and wait", ErrUnsteady, one.cfg.Name)
	}
	slices.SortStableFunc(list, func(a, b Reading) int { return cmp.Compare(one.cfg.HeightMM(a), one.cfg.HeightMM(b)) })
	spread := one.cfg.HeightMM(list[len(list)-1]) - one.cfg.HeightMM(list[0])
	if most := max(steadyMM, 2.5*one.resolution.MM()); spread > most {
		return Reading{}, fmt.Errorf("%w: indicator %s still moves, by %.3f mm; hold the crank still and wait", ErrUnsteady, one.cfg.Name, spread)
	}
	return list[len(list)/2], nil
}
