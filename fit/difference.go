package fit

import "math"

// Difference is how much later one cylinder's top comes than another's of the same
// job, beyond what the engine says: index error of A less that of B. Its doubt
// is by the joint fit's covariance, so that what both share does not count.
type Difference struct {
	A, B        int
	Deg, U95Deg float64
}

// Between returns how far two cylinders' index errors of this job lie apart, a
// less b; false where one of them is not known.
func (x Index) Between(a, b int) (deg, u95 float64, ok bool) {
	if a == b {
		return 0, 0, false
	}
	for _, p := range x.Differences {
		switch {
		case p.A == a && p.B == b:
			return p.Deg, p.U95Deg, true
		case p.A == b && p.B == a:
			return -p.Deg, p.U95Deg, true
		}
	}
	return 0, 0, false
}

// differences lists every pair of cylinders whose index errors are known.
func (j *job) differences(doc *Index, s *solution) (out []Difference) {
	for i, a := range doc.Cylinders {
		for _, b := range doc.Cylinders[:i] {
			if a.IndexErrorDeg != nil && b.IndexErrorDeg != nil {
				out = append(out, j.difference(s, a, b))
			}
		}
	}
	return out
}

func (j *job) difference(s *solution, a, b Cylinder) Difference {
	diff := fold180(*a.IndexErrorDeg - *b.IndexErrorDeg)
	weights := map[int]float64{}
	for number, sign := range map[int]float64{a.Number: 1, b.Number: -1} {
		if e := j.index[number]; e != none {
			weights[e] = sign
		}
	}
	own, other := passesOf(s.model, a.Number), passesOf(s.model, b.Number)
	shares := s.combined(weights, append(j.encoderShares(a.NominalDeg-b.NominalDeg+diff), shapeShare(append(own, other...))...))
	readings := shares[0].variance + shares[1].variance
	if more := math.Max(s.repeatability(own), s.repeatability(other)); more > 1 {
		shares = append(shares, share{srcRepeat, plain(more) + " times what the readings explain", "measured", (more*more - 1) * readings, math.Inf(1)})
	}
	if s.closureFailed {
		slip := s.closure.value
		shares = append(shares, share{srcClosure, plain(math.Abs(slip)) + "°", "measured", slip * slip / 4, math.Inf(1)})
	}
	return Difference{a.Number, b.Number, diff, s.expand(shares)}
}
