package calibrate

import (
	"fmt"
	"math"
	"slices"
)

// Schemes: which points a calibration takes.
const (
	SchemeISO463   = "iso463"    // mechanical dial indicators
	SchemeISO13102 = "iso13102"  // electronic ones
	SchemeJISB7503 = "jis-b7503" // dial indicators, by the revolutions of their pointer
	SchemeASMEB89  = "asme-b89"  // dial indicators, quarters of a revolution first
	SchemeOwn      = "own"       // the points that are given
)

// Schemes lists what Plan knows, in the order a person is offered them.
func Schemes() []string {
	return []string{SchemeISO13102, SchemeISO463, SchemeJISB7503, SchemeASMEB89, SchemeOwn}
}

// Target is one point of a plan: where the plunger is to be, and how it is to
// come there.
type Target struct {
	Run         int       `json:"run"`
	Direction   Direction `json:"direction"`
	ReferenceMM float64   `json:"reference_mm"`
}

// PlanRequest says what is to be calibrated. What is left zero takes the
// scheme's own value.
type PlanRequest struct {
	Scheme       string
	RangeMM      float64   // from 0
	ResolutionMM float64   // of the display; needed by the schemes that count revolutions
	RevolutionMM float64   // of the pointer; 0: 1 mm for 0.01 mm, 0.5 for 0.005, 0.2 below
	LocalSpanMM  float64   // of the local error; 0: 1 mm
	Runs         int       // 0: one
	Repeats      int       // readings at one point; 0: five; below 0: none
	PointsMM     []float64 // of the scheme own
}

// MostTargets is more than anybody takes by hand in a day.
const MostTargets = 2000

// Plan is the points of a calibration in the order they are taken: in each
// run all points with the plunger moving in, then the same moving out; after
// the runs the repeats at the middle, each come to anew moving in. ISO 463 and
// ISO 13102 leave the points to the shop: eleven over the range and eleven
// inside one local span, both ways, five repeats. JIS B 7503:2011 goes by each
// tenth of a revolution to two revolutions, halves to five, whole ones to ten,
// then every five. ASME B89.1.10M: quarters to two and a half, then whole ones.
// It fails, in words for a person, where the request makes no plan.
func Plan(r PlanRequest) ([]Target, error) {
	r, err := r.filled()
	if err != nil {
		return nil, err
	}
	points, err := r.points()
	if err != nil {
		return nil, err
	}
	if n := 2*len(points)*r.Runs + max(r.Repeats, 0); n > MostTargets {
		return nil, fmt.Errorf("the plan has %d points, more than %d; take fewer runs, or a scheme with fewer points", n, MostTargets)
	}
	plan := make([]Target, 0, 2*len(points)*r.Runs+max(r.Repeats, 0))
	for run := 1; run <= r.Runs; run++ {
		for _, p := range points {
			plan = append(plan, Target{run, Up, p})
		}
		for _, p := range slices.Backward(points) {
			plan = append(plan, Target{run, Down, p})
		}
	}
	middle := nearest(points, (points[0]+points[len(points)-1])/2)
	for range r.Repeats {
		plan = append(plan, Target{r.Runs, Repeat, middle})
	}
	return plan, nil
}

// filled puts the defaults in and refuses what is no number or no size.
func (r PlanRequest) filled() (PlanRequest, error) {
	for name, v := range map[string]float64{"range_mm": r.RangeMM, "resolution_mm": r.ResolutionMM, "revolution_mm": r.RevolutionMM, "local_span_mm": r.LocalSpanMM} {
		if !(v >= 0 && v <= mostMM) {
			return r, fmt.Errorf("%s is %g; give millimetres from 0 to %g", name, v, float64(mostMM))
		}
	}
	if r.Runs < 0 || r.Repeats > MostTargets || r.Runs > MostTargets {
		return r, fmt.Errorf("%d runs and %d repeats make no plan; one to three runs and five repeats are usual", r.Runs, r.Repeats)
	}
	if r.LocalSpanMM == 0 {
		r.LocalSpanMM = DefaultLocalSpanMM
	}
	if r.Runs == 0 {
		r.Runs = 1
	}
	if r.Repeats == 0 {
		r.Repeats = 5
	}
	if r.RevolutionMM == 0 {
		r.RevolutionMM = revolution(r.ResolutionMM)
	}
	if r.Scheme != SchemeOwn && r.RangeMM == 0 {
		return r, fmt.Errorf("the plan needs the indicator's range_mm; give it, or the points themselves with the scheme %q", SchemeOwn)
	}
	return r, nil
}

// revolution is what a dial with these graduations travels in one turn of its
// pointer, in mm.
func revolution(resolutionMM float64) float64 {
	switch {
	case resolutionMM > 0.0051:
		return 1
	case resolutionMM > 0.0021:
		return 0.5
	default:
		return 0.2
	}
}

// points are a run's reference points, ascending, each once.
func (r PlanRequest) points() ([]float64, error) {
	var all []float64
	switch r.Scheme {
	case SchemeISO463, SchemeISO13102:
		all = r.overall()
	case SchemeJISB7503:
		all = byRevolutions(r.RangeMM, r.RevolutionMM, []stretch{{2, 0.1}, {5, 0.5}, {10, 1}, {math.Inf(1), 5}})
	case SchemeASMEB89:
		all = byRevolutions(r.RangeMM, r.RevolutionMM, []stretch{{2.5, 0.25}, {math.Inf(1), 1}})
	case SchemeOwn:
		for _, p := range r.PointsMM {
			if !(math.Abs(p) <= mostMM) {
				return nil, fmt.Errorf("a point lies at %g mm; give millimetres within ±%g", p, float64(mostMM))
			}
		}
		all = slices.Clone(r.PointsMM)
	default:
		return nil, fmt.Errorf("the scheme %q is not known; take one of %v", r.Scheme, Schemes())
	}
	for i := range all {
		all[i] = decimals(all[i], 6)
	}
	slices.Sort(all)
	all = slices.Compact(all)
	if len(all) < 2 {
		return nil, fmt.Errorf("the plan has %d points; give at least two different ones", len(all))
	}
	return all, nil
}

// overall are eleven points over the range and eleven inside one local span
// that begins at the middle of the range.
func (r PlanRequest) overall() []float64 {
	var all []float64
	for i := range 11 {
		all = append(all, r.RangeMM*float64(i)/10)
	}
	if span := r.LocalSpanMM; span < r.RangeMM {
		from := math.Min(r.RangeMM/2, r.RangeMM-span)
		for i := range 11 {
			all = append(all, from+span*float64(i)/10)
		}
	}
	return all
}

// stretch is a step between points, in revolutions, up to so many of them.
type stretch struct{ to, step float64 }

// byRevolutions are points from 0 to the range's end.
func byRevolutions(rangeMM, revolutionMM float64, steps []stretch) []float64 {
	all := []float64{0}
	end := rangeMM / revolutionMM
	for at := 0.0; ; {
		i := slices.IndexFunc(steps, func(s stretch) bool { return at < s.to-1e-9 })
		at = decimals(at+steps[i].step, 3)
		if at >= end-1e-9 || len(all) > MostTargets {
			return append(all, rangeMM)
		}
		all = append(all, at*revolutionMM)
	}
}

func nearest(points []float64, to float64) float64 {
	return slices.MinFunc(points, func(a, b float64) int {
		return int(math.Copysign(1, math.Abs(a-to)-math.Abs(b-to)))
	})
}

// decimals is v to so many of them.
func decimals(v float64, n int) float64 {
	p := math.Pow10(n)
	return math.Round(v*p) / p
}
