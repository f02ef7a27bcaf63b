package fit

import (
	"math"

	"crownmark/fit/crank"
)

// The best common zero. Index and throw errors count from the reference's own
// throw: where that one is bad, all others look wrong. The common zero m is where
// most throws agree, the reference being one of them:
//
//	minimise Σ √(1 + ((e_k − m)/s)²),  s² = commonWithinDeg² + mean of u_k²
//
// a mean among throws that lie within s of each other, a median beyond that, one
// throw one vote; the sum is convex, so that there is one m. It is smooth in the
// errors e,
//
//	∂m/∂e_k = g_k = w_k/Σw,  w_k = (1 + ((e_k − m)/s)²)^(−3/2)
//
// and so are the deviations d = e − m, whose covariance is that of (I − 1gᵀ)e. u_k
// is what throw k is known to against the plain mean of all.

// commonWithinDeg: good cranks have their throws within about so much.
const commonWithinDeg = 0.05

// CommonZero is the best common zero of the errors e (degrees) with the scale s,
// and the share g (sum 1) that each error has in it. e must not be empty.
func CommonZero(e []float64, s float64) (zero float64, g []float64) {
	lo, hi := bounds(e)
	for range 100 { // halving: 2⁻¹⁰⁰ of the range
		zero = lo + (hi-lo)/2
		pull := 0.0
		for k := range e {
			x := (e[k] - zero) / s
			pull += x / math.Sqrt(1+x*x)
		}
		if pull > 0 {
			lo = zero
		} else {
			hi = zero
		}
	}
	sum := 0.0
	for k := range e {
		x := (e[k] - zero) / s
		g = append(g, math.Pow(1+x*x, -1.5))
		sum += g[k]
	}
	for k := range g {
		g[k] /= sum
	}
	return zero, g
}

// throws are the measured throws together: their errors against the
// reference's, and what any combination of them is known to. A combination has
// one coefficient a throw, with sum 0: what all share falls out.
type throws struct {
	job    *job
	sol    *solution
	number []int
	err    []float64 // throw errors; the reference's is 0
	place  []float64 // of the top on the encoder, degrees after the reference's
	repeat []float64 // variance that sweeps of one throw that disagree add
	shape  []float64 // and curves that leave the crank's shape
	byRod  []float64 // how far the rod's doubt moves its top, degrees
	offset []float64 // its pin offset, mm
}

// throwsOf gathers the throws whose errors may be told.
func (j *job) throwsOf(doc *Index, s *solution) throws {
	t := throws{job: j, sol: s}
	rod, rodU := j.in.Engine.RodOrAssumed()
	r := j.in.Engine.StrokeMM / 2
	for i := range doc.Cylinders {
		c := &doc.Cylinders[i]
		if c.ThrowErrorDeg == nil || math.Abs(*c.IndexErrorDeg) > wrongCylinderDeg || s.wrongUnit(c.Number, j.in.Engine.Reference()) {
			continue
		}
		top, _ := j.in.Engine.Top(c.Number)
		passes := passesOf(s.model, c.Number)
		repeat := 0.0
		if more := s.repeatability(passes); more > 1 && c.Number != j.anchor {
			shares := s.combined(unit(j.index[c.Number]), nil)
			repeat = (more*more - 1) * (shares[0].variance + shares[1].variance)
		}
		longer, shorter := crank.Geometry{R: r, L: rod + rodU, E: top.PinOffsetMM}, crank.Geometry{R: r, L: rod, E: top.PinOffsetMM}
		t.number, t.err = append(t.number, c.Number), append(t.err, *c.ThrowErrorDeg)
		t.place = append(t.place, c.NominalDeg+*c.IndexErrorDeg)
		t.repeat, t.shape = append(t.repeat, repeat), append(t.shape, total(shapeShare(passes)))
		t.byRod, t.offset = append(t.byRod, longer.TopDeg()-shorter.TopDeg()), append(t.offset, top.PinOffsetMM)
	}
	return t
}

// u95 is the expanded doubt of Σ c_k·throw_k.
func (t *throws) u95(c []float64) float64 { return t.sol.expand(t.shares(c)) }

func (t *throws) shares(c []float64) []share {
	weights := map[int]float64{}
	own, byRod := 0.0, 0.0
	for k, n := range t.number {
		if i := t.job.index[n]; i != none {
			weights[i] += c[k]
		}
		own += c[k] * c[k] * (t.repeat[k] + t.shape[k])
		byRod += c[k] * t.byRod[k]
	}
	rod, _ := t.job.in.Engine.RodOrAssumed()
	piece := offsetPieceUMM / (rod + t.job.in.Engine.StrokeMM/2) * 180 / math.Pi
	accuracy := 0.0
	if u := t.job.in.Priors.AccuracyUDeg; u != nil {
		accuracy = math.Min(*u, nothingKnownDeg)
	}
	alike := func(a, b int) bool { return math.Abs(fold180(t.place[a]-t.place[b])) < 1 }
	same := func(a, b int) bool { return t.offset[a] == t.offset[b] }
	more := []share{
		{srcRepeat, "", "measured", own, math.Inf(1)},
		{srcRod, "", "engine file", byRod * byRod, math.Inf(1)},
		{srcOffset, "", "assumed", piece * piece * together(c, same), math.Inf(1)},
		{srcAccuracy, "", "declared", accuracy * accuracy * together(c, alike), math.Inf(1)},
	}
	return t.sol.combined(weights, more)
}

// together sums the coefficients over each group of those that are alike, and
// adds the squares: what a group shares counts once.
func together(c []float64, alike func(a, b int) bool) (sum float64) {
	done := make([]bool, len(c))
	for a := range c {
		if done[a] {
			continue
		}
		group := 0.0
		for b := a; b < len(c); b++ {
			if !done[b] && alike(a, b) {
				done[b] = true
				group += c[b]
			}
		}
		sum += group * group
	}
	return sum
}

// less is throw k less a mean with the shares g.
func less(k int, g []float64) []float64 {
	c := make([]float64, len(g))
	for i := range g {
		c[i] = -g[i]
	}
	c[k]++
	return c
}

// scale is what CommonZero takes for the throws.
func (t *throws) scale() float64 {
	n := float64(len(t.err))
	plain := make([]float64, len(t.err))
	for i := range plain {
		plain[i] = 1 / n
	}
	v := commonWithinDeg * commonWithinDeg
	for k := range plain {
		v += total(t.shares(less(k, plain))) / n
	}
	return math.Sqrt(v)
}

// leastThrows: of two throws that differ nobody can tell which is off.
const leastThrows = 3

// writeCommon fills the deviations from the best common zero, pins and banks.
func (j *job) writeCommon(doc *Index, s *solution) {
	t := j.throwsOf(doc, s)
	if len(t.err) < 2 || s.closureFailed {
		return
	}
	zero, g := CommonZero(t.err, t.scale())
	radius := j.in.Engine.StrokeMM / 2 * math.Pi / 180
	for i, k := 0, 0; i < len(doc.Cylinders) && k < len(t.number); i++ {
		c := &doc.Cylinders[i]
		if c.Number != t.number[k] {
			continue
		}
		d, u95 := t.err[k]-zero, t.u95(less(k, g))
		c.FromCommonDeg, c.FromCommonU95Deg = ptr(d), ptr(u95)
		c.CrankpinMM, c.CrankpinU95MM = ptr(radius*d), ptr(radius*u95)
		if len(t.err) >= leastThrows {
			c.CommonVerdict = Verdict(d, u95, doc.IndexLimitDeg)
		}
		if c.Number == doc.ReferenceCylinder {
			doc.CommonZeroDeg, doc.CommonZeroU95Deg = ptr(zero), ptr(u95)
		}
		k++
	}
	j.writePins(doc, &t, zero, g)
	j.writeBanks(doc, &t, zero, g)
}
