package fit

import (
	"math"
	"slices"
)

// markReadUDeg is the standard uncertainty of one mark read by eye.
const markReadUDeg = 0.2

// markErrors compares each damper mark with the reference's real top:
//
//	error = T_ref + mark − (crank angle when the mark is under the pointer)
//
// the crank angle freed of lash by the last approach. Positive: the mark lines
// up too early.
func (j *job) markErrors(s *solution, refSwept bool) []MarkError {
	out := []MarkError{}
	var order []float64
	groups := map[float64][]Mark{}
	for _, m := range j.in.Marks {
		if _, ok := groups[m.MarkDeg]; !ok {
			order = append(order, m.MarkDeg)
		}
		groups[m.MarkDeg] = append(groups[m.MarkDeg], m)
	}
	slices.Sort(order)
	for _, deg := range order {
		e := MarkError{MarkDeg: deg, Presses: len(groups[deg]), Each: []Press{}}
		for _, m := range groups[deg] {
			e.Each = append(e.Each, Press{ID: m.ID, Approach: m.Approach})
		}
		if refSwept && j.in.DirectionConfirmed && !s.closureFailed {
			j.markError(&e, s, groups[deg])
		}
		out = append(out, e)
	}
	return out
}

func (j *job) markError(e *MarkError, s *solution, presses []Mark) {
	m := s.model
	var values []float64
	weights := map[int]float64{}
	for i, p := range presses {
		offset, ok := j.mounts[p.Mount]
		if !ok {
			continue
		}
		lash := m.passes[slices.IndexFunc(m.passes, func(q *pass) bool { return q.src.Mount == p.Mount })].lash
		a := float64(p.Approach)
		values = append(values, fold180(m.value(offset)+e.MarkDeg-p.AngleDeg-a*m.value(lash)/2))
		e.Each[i].ErrorDeg = ptr(values[len(values)-1])
		weights[offset]++
		weights[lash] -= a / 2
	}
	n := float64(len(values))
	if n == 0 {
		return
	}
	mean, reading := readByEye(values)
	for k := range weights {
		weights[k] /= n
	}
	shares := s.combined(weights, append(j.encoderShares(math.NaN()),
		share{"mark read by eye", plain(markReadUDeg) + "° standard", "assumed", reading, math.Inf(1)}))
	e.ErrorDeg, e.U95Deg = ptr(mean), ptr(s.expand(shares))
	e.TrueDeg = ptr(e.MarkDeg - mean)
	if n > 1 {
		e.SpreadDeg = ptr(spreadDeg(values))
	}
	if d := j.in.Engine.DamperDiameterMM; d != nil {
		e.RimMM = ptr(mean * math.Pi * *d / 360)
	}
}

// readByEye is the mean of one mark's readings (degrees, near each other but
// for whole turns) and the variance of that mean: by their scatter, not below
// what the eye can do.
func readByEye(values []float64) (mean, variance float64) {
	n := float64(len(values))
	for _, v := range values {
		mean += fold180(v-values[0]) / n
	}
	mean += values[0]
	var sq float64
	for _, v := range values {
		sq += (v - mean) * (v - mean)
	}
	variance = markReadUDeg * markReadUDeg / n
	if n > 1 {
		variance = math.Max(variance, sq/(n-1)/n)
	}
	return mean, variance
}

// spreadDeg is the largest of angles near each other less the smallest.
func spreadDeg(deg []float64) float64 {
	lo, hi := 0.0, 0.0
	for _, v := range deg {
		d := fold180(v - deg[0])
		lo, hi = math.Min(lo, d), math.Max(hi, d)
	}
	return hi - lo
}
