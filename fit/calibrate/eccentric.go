package calibrate

import (
	"fmt"
	"math"
	"slices"

	"crownmark/fit"
)

// courseShare is what of an error n times a turn stays in doubt (95 %) because a
// sweep is given its mean and not its course (fit/eccentric.go): it grows by the square of
// how much of a period a sweep covers. Size: TestEncoderCheckAgreesWithTheTruth.
func courseShare(n int) float64 { return 0.015 * float64(n*n) }

// z95 is half the width that holds 95 % of normal values.
const z95 = 1.959963984540054

// partU95 is the doubt of the lesser known part.
func (e EccentricityRow) partU95() float64 { return math.Max(e.SinU95Deg, e.CosU95Deg) }

// eccentric takes over what the mounts told. A part is seen where the mounts
// made it better known than by half of what was declared.
func (r *EncoderResult) eccentric(index fit.Index) {
	e := index.Eccentricity
	if e == nil || !e.Reclocked {
		r.Notes = append(r.Notes, noReclock)
		return
	}
	most := 0.0
	seen := false
	for n := range 2 {
		row := EccentricityRow{PerTurn: n + 1, SinDeg: e.SinDeg[n], CosDeg: e.CosDeg[n], AmplitudeDeg: math.Hypot(e.SinDeg[n], e.CosDeg[n])}
		row.SinU95Deg = math.Hypot(e.SinU95Deg[n], courseShare(n+1)*row.AmplitudeDeg)
		row.CosU95Deg = math.Hypot(e.CosU95Deg[n], courseShare(n+1)*row.AmplitudeDeg)
		row.Seen = row.partU95() < z95*e.PriorUDeg/2
		r.Eccentric = append(r.Eccentric, row)
		if !row.Seen {
			r.Notes = append(r.Notes, fmt.Sprintf("What the encoder errs by %d per turn was not seen: these cylinders and angles of the adapter do not show all of it. Turn the adapter by 45° as well.", row.PerTurn))
			continue
		}
		seen = true
		// A mounting at any angle: a part is the amplitude by the cosine of a chance phase,
		// whose square is a half on average.
		most = math.Max(most, math.Sqrt(row.AmplitudeDeg*row.AmplitudeDeg/2+row.partU95()*row.partU95()/(z95*z95)))
	}
	if seen && r.Eccentric[0].Seen {
		u := roundUp(most)
		r.EccentricityUDeg = &u
	}
}

// roundUp rounds to two figures, never down.
func roundUp(v float64) float64 {
	if !(v > 0) {
		return 0
	}
	scale := math.Pow10(1 - int(math.Floor(math.Log10(v))))
	return math.Ceil(v*scale-1e-9) / scale
}

// pulsePlace says where on the crank the index pulse comes, in the mounting in
// which the reference's top is known.
func (r *EncoderResult) pulsePlace(index fit.Index, pulses []Pulse) {
	e := index.Eccentricity
	if e == nil {
		return
	}
	for _, c := range index.Cylinders {
		if c.Number != index.ReferenceCylinder || c.TDCDeg == nil {
			continue
		}
		for _, p := range pulses {
			if p.Mount == e.Mount && p.ToDeg >= p.FromDeg {
				at := math.Mod(p.at()-*c.TDCDeg, 360)
				if at < 0 {
					at += 360
				}
				r.PulseDeg = &at
				return
			}
		}
	}
}

// budget is of the angle between two places of the encoder in one mounting,
// corrected for what was seen: √2 of each.
func (r *EncoderResult) budget(in fit.Input) {
	r.Budget = []fit.Share{}
	add := func(source, size, how string, u float64) {
		r.Budget = append(r.Budget, fit.Share{Source: source, Size: size, HowKnown: how, UDeg: u * math.Sqrt2})
	}
	if r.StepDeg != nil {
		add("step of the count", fmt.Sprintf("%.3g°", *r.StepDeg), "declared", *r.StepDeg/math.Sqrt(12))
	}
	if acc := in.Priors.AccuracyUDeg; acc != nil {
		add("accuracy of the encoder", fmt.Sprintf("%g° standard", *acc), "declared", *acc)
	}
	for _, row := range r.Eccentric {
		how := "measured"
		if !row.Seen {
			how = "declared"
		}
		add(fmt.Sprintf("eccentricity, %d per turn", row.PerTurn), fmt.Sprintf("%.4f°, known to ± %.4f°", row.AmplitudeDeg, row.partU95()), how, row.partU95()/z95)
	}
	if u := in.Priors.EccentricityUDeg; len(r.Eccentric) == 0 && u != nil {
		add("eccentricity", fmt.Sprintf("%g° standard, once and twice per turn", *u), "declared", *u*math.Sqrt2)
	}
	if r.ClosureU95Deg != nil {
		r.Budget = append(r.Budget, fit.Share{Source: "closure", Size: fmt.Sprintf("%.4f°", *r.ClosureDeg), HowKnown: "measured", UDeg: *r.ClosureU95Deg / z95})
	}
	slices.SortStableFunc(r.Budget, func(a, b fit.Share) int {
		switch {
		case a.UDeg > b.UDeg:
			return -1
		case a.UDeg < b.UDeg:
			return 1
		}
		return 0
	})
}

// judge says pass or fail, "" where there is nothing to judge.
func (r *EncoderResult) judge() {
	for _, good := range []*bool{r.CountsAgree, r.ClosureHolds} {
		switch {
		case good == nil:
		case !*good:
			r.Overall = Fail
		case r.Overall == "":
			r.Overall = Pass
		}
	}
}
