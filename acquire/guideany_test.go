package acquire

import (
	"math"
	"math/rand/v2"
	"testing"
)

// history is every value that a display showed since the last point, for a slow
// second opinion on how it came.
type history []float64

// came tells that, going back in time from at, the display was away on the right
// side before it was beyond.
func (h history) came(rising bool, at, over, back float64) bool {
	way := 1.0
	if !rising {
		way = -1
	}
	for i := len(h) - 1; i >= 0; i-- {
		switch off := way * (h[i] - at); {
		case off <= -back:
			return true
		case off > over:
			return false
		}
	}
	return false
}

// Whatever a hand does near the points, no point is taken that it passed or did
// not come to from its side, and none that is not near where it should be; a hand
// that does as it is told comes to the end.
func TestGuideWithAnyHand(t *testing.T) {
	t.Parallel()
	plan := points("u0 u1 u2 u2.1 u2.2 d2.2 d2.1 d2 d1 d0 r1 r1")
	taken, refused := 0, 0
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(seed, 7))
		g := newGuide(plan, nil, TakeSteady, 1.5, 0)
		h := newHand(t, g, -0.3)
		var seen history
		h.spoil = func(_ int, mm float64) float64 {
			mm += 0.0006 * rng.NormFloat64()
			seen = append(seen, mm)
			return mm
		}
		h.after = func() {
			if len(h.log) > 0 {
				h.log = nil
				p := g.taken[len(g.taken)-1]
				if math.Abs(p.ReadingMM-p.ReferenceMM) > usualNearMM+0.01 || !seen.came(p.rising(), p.ReadingMM, 0.010, g.back(p.StandPoint)-0.003) {
					t.Fatalf("seed %d: took %+v", seed, p)
				}
				taken++
				seen = history{p.ReadingMM}
			}
			if g.refused != nil {
				refused++
			}
		}
		for range 60 {
			next := g.next()
			if next == nil {
				break
			}
			switch rng.IntN(3) {
			case 0: // anywhere near, and waits
				h.to(next.ReferenceMM + 0.06*rng.NormFloat64()).hold(2 * rng.Float64())
			case 1: // to the point from wherever it is
				h.to(next.ReferenceMM)
				h.hold(3)
			case 2: // as it is told
				away := g.back(*next) + 0.02
				if next.rising() {
					away = -away
				}
				h.to(next.ReferenceMM + away).to(next.ReferenceMM)
				h.hold(3)
			}
		}
	}
	if taken < 300 || refused < 300 {
		t.Errorf("%d points taken, refused at %d looks: the hands try nothing", taken, refused)
	}
	t.Logf("%d points taken, refused at %d looks", taken, refused)
}

// A quick hand begins slowly: it is not taken for a display that had hung.
func TestGuideQuickHand(t *testing.T) {
	t.Parallel()
	g := newGuide(points("u0 u9"), nil, TakeSteady, 1.5, 0)
	h := newHand(t, g, -0.5)
	h.eachS = 0.02
	h.stands(0)
	for v := 0.0; h.at < 8.8; h.show() {
		v = min(v+2, 15) // mm/s, from standing within 0.15 s
		h.at += v * h.eachS
	}
	h.stands(9)
	h.want(StandComplete, "", "up 0=0.000", "up 9=9.000")
}
