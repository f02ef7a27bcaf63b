package virtual

import "fmt"

// Wish is what a hand that follows is asked to do next.
type Wish struct {
	Do        WishKind
	Cylinders []int   // WishSweep: for each indicator in turn, 0 for one that stands nowhere
	MarkDeg   float64 // WishMark
	Point     Point   // WishStand
}

// Point is where the head is to be set, for an indicator on it.
type Point struct {
	Indicator   string
	ReferenceMM float64
	FromBelow   bool // the plunger moving in; else out
	Anew        bool // gone back first, even where it stands there already
}

// WishKind is a kind of Wish.
type WishKind int

// What a hand can be asked for.
const (
	WishRest      WishKind = iota // nothing for now
	WishDirection                 // a few degrees in running direction
	WishSweep                     // probes on those pistons, one sweep each way
	WishStand                     // the head at a point, the indicator put on it if it is not
	WishMark                      // a damper mark under the pointer, coming up in running direction
)

// Follow turns the crank as it is asked to, while somebody else presses the
// keys. ask is called with virtual time standing still, several times a
// second; it must answer soon. An error ends the script.
func Follow(p Plan, ask func(*Operator) (Wish, error)) Script {
	return func(o *Operator) error {
		j := job{Operator: o, plan: p}
		if err := j.check(); err != nil {
			return err
		}
		for {
			err := j.do(j.Rest(0.3), func() error {
				w, err := ask(o)
				return j.do(err, func() error { return j.grant(w) })
			})
			switch {
			case o.Context().Err() != nil:
				return nil // it follows until nobody leads
			case err != nil:
				return err
			}
		}
	}
}

func (j *job) grant(w Wish) error {
	switch w.Do {
	case WishRest:
		return nil
	case WishDirection:
		return j.Turn(12, 6)
	case WishSweep:
		return j.placement(w.Cylinders)
	case WishStand:
		if !j.OnStand(w.Point.Indicator) {
			if err := j.do(j.ToStand(w.Point.Indicator, DefaultHead()), func() error { return j.Rest(1) }); err != nil {
				return err
			}
		}
		return j.HeadTo(w.Point.Indicator, w.Point.ReferenceMM, w.Point.FromBelow, w.Point.Anew)
	case WishMark:
		for i := range j.bench.inds {
			if err := j.Withdraw(j.bench.inds[i].Name); err != nil {
				return err
			}
		}
		return j.TurnToMark(w.MarkDeg, j.plan.ThroughDegS)
	}
	return fmt.Errorf("virtual bench: wish %d: not one of the known", w.Do)
}
