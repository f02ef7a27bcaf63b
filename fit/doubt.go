package fit

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// share is one source's part of a variance, deg², and the degrees of freedom
// behind it (+Inf: declared or assumed).
type share struct {
	source, size, how string
	variance, dof     float64
}

// combined splits the variance of Σ c_i·param_i by source. Cov = A⁻¹ with
// A = JᵀR⁻¹J + P⁻¹, so that Cov = Cov·(JᵀR⁻¹J)·Cov + Σ Cov·P⁻¹·Cov: the readings'
// share, split again into angle and display, and each prior's share. extra
// holds what no sweep can see (encoder mounting, accuracy).
func (s *solution) combined(c map[int]float64, extra []share) []share {
	m := s.model
	n := len(m.params)
	a := make([]float64, n)                         // Cov·c
	for _, k := range slices.Sorted(maps.Keys(c)) { // the same sum each time
		for i := range n {
			a[i] += s.cov.At(i, k) * c[k]
		}
	}
	steps, display, shift := m.byReadings(a)
	shares := []share{
		{srcSteps, sizeOf(m, func(n *noise) float64 { return n.angleDeg }, "°"), "measured", steps, s.dof},
		{srcDisplay, sizeOf(m, func(n *noise) float64 { return n.displayMM * 1000 }, " µm"), "measured", display, s.dof},
		{srcShift, shiftSize, howKnown(srcShift), shift, math.Inf(1)},
	}
	if m.byEye() {
		worst := 0.0
		for _, p := range m.passes {
			worst = math.Max(worst, p.src.AngleUDeg)
		}
		shares[0].source, shares[0].size, shares[0].how = srcMarks, plain(worst)+"° per reading", "declared"
	}
	for i := range m.params {
		p := &m.params[i]
		if math.IsInf(p.sd, 1) {
			continue
		}
		v := a[i] * a[i] / (p.sd * p.sd)
		k := slices.IndexFunc(shares, func(s share) bool { return s.source == p.source })
		if k < 0 {
			shares = append(shares, share{p.source, p.size, howKnown(p.source), 0, math.Inf(1)})
			k = len(shares) - 1
		}
		shares[k].variance += v
	}
	shares = append(shares, s.curveShares(c, nil)...)
	return append(shares, extra...)
}

// byReadings is the readings' part aᵀ(JᵀR⁻¹J)a, by what each surprise was made of,
// and that of the sweeps' and stretches' own offsets.
func (m *model) byReadings(a []float64) (steps, display, shift float64) {
	for _, r := range m.rides {
		d := r.spread(a)
		follow(r.sums.shiftOut, d, still, func(n int, own float64) { shift += own * own * known(r.passes[n].shift) })
		for i := range r.sums.seg {
			e := slices.Clone(d)
			follow(r.sums.segOut[i], e, still, func(n int, own float64) { shift += own * own * known(r.passes[n].seg[i]) })
			byAngle := r.sums.steps[i].form(e)
			steps += byAngle
			display += r.sums.seg[i].form(e) - byAngle
		}
	}
	return steps, display, shift
}

// shiftSize is the prior of sweeps' and stretches' own offsets, in words.
var shiftSize = fmt.Sprintf("± %.0f µm per sweep, ± %.0f µm per re-grip beforehand", 2*sweepShiftUMM*1000, 2*regripShiftUMM*1000)

func known(q private) float64 {
	if q.sd == 0 {
		return 0
	}
	return 1 / (q.sd * q.sd)
}

// sizeOf is the largest of a property over the setups, in words.
func sizeOf(m *model, of func(*noise) float64, unit string) string {
	worst := 0.0
	for _, p := range m.passes {
		worst = math.Max(worst, of(p.noise))
	}
	return plain(worst) + unit + " per reading"
}

func howKnown(source string) string {
	switch source {
	case srcLatency, srcLash:
		return "bench file, then sweeps"
	case srcRod, srcOffset:
		return "engine file"
	case srcMounting, srcAccuracy:
		return "declared"
	}
	return "assumed, then sweeps"
}

func total(shares []share) (variance float64) {
	for _, s := range shares {
		variance += s.variance
	}
	return variance
}

// expand is U95 of the shares together: t_0.95(ν_eff) times the combined
// standard uncertainty, ν_eff by Welch–Satterthwaite (JCGM 100:2008, G.4.1).
func (s *solution) expand(shares []share) float64 { return Expand(variances(shares)) }

func variances(shares []share) (v, dof []float64) {
	// The two shares of the readings come from one set of degrees of freedom.
	var readings share
	for _, s := range shares {
		if math.IsInf(s.dof, 1) {
			v, dof = append(v, s.variance), append(dof, s.dof)
			continue
		}
		readings.variance += s.variance
		readings.dof = s.dof
	}
	if readings.dof > 0 {
		v, dof = append(v, readings.variance), append(dof, readings.dof)
	}
	return v, dof
}

// Expand returns t_0.95(ν_eff)·√Σv for independent variances v with dof degrees
// of freedom each (+Inf allowed): ν_eff = u⁴/Σ(v²/ν). 0 for no variance.
func Expand(v, dof []float64) float64 {
	var sum, slow float64
	for i := range v {
		sum += v[i]
		if !math.IsInf(dof[i], 1) {
			slow += v[i] * v[i] / dof[i]
		}
	}
	if sum <= 0 {
		return 0
	}
	k := 1.959963984540054
	if slow > 0 {
		if nu := sum * sum / slow; nu < 1e6 {
			k = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(nu, 1)}.Quantile(0.975)
		}
	}
	return k * math.Sqrt(sum)
}

// repeatability compares a cylinder's sweeps with each other: each sweep's own
// shift of the top against its doubt. Where χ² says at 99 % that they differ, it returns the Birge ratio √(χ²/(n−1)), else 1.
func (s *solution) repeatability(passes []*pass) float64 {
	if len(passes) < 2 {
		return 1
	}
	var chi2 float64
	for _, p := range passes {
		var num, den float64
		for _, k := range p.ride.sums.seg {
			num += k.own[p.place].b[colAngle]
			den += k.own[p.place].a[colAngle][colAngle]
		}
		if den > 0 {
			chi2 += num * num / den
		}
	}
	nu := float64(len(passes) - 1)
	if chi2 <= (distuv.ChiSquared{K: nu}).Quantile(0.99) {
		return 1
	}
	return math.Sqrt(chi2 / nu)
}

// budget is the shares as a person reads them, worst first; what contributes
// under a thousandth of the whole is left out, but for the calibration's: that
// a top hardly feels it is worth knowing.
func budget(shares []share) []Share {
	all := total(shares)
	var out []Share
	for _, s := range shares {
		if s.variance > all*1e-6 || s.source == srcCurve {
			out = append(out, Share{Source: s.source, Size: s.size, HowKnown: s.how, UDeg: math.Sqrt(s.variance)})
		}
	}
	slices.SortFunc(out, func(a, b Share) int {
		switch {
		case a.UDeg > b.UDeg:
			return -1
		case a.UDeg < b.UDeg:
			return 1
		}
		return 0
	})
	return out
}
