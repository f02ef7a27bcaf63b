package fit

import (
	"math"
	"slices"
)

// Where an indicator's latency beforehand is from.
const (
	priorDeclared = "bench file"
	priorAssumed  = "assumed"  // nobody declared one
	priorArrivals = "arrivals" // nobody declared one, and the readings came in lumps
)

// lumpedShare: so large a share of readings behind another in one burst, and
// the stream comes in lumps.
const lumpedShare = 0.2

// lumpWait is how long the last reading of a lump had waited to be handed
// over: between nothing and one interval of the instrument, evenly, hence
//
//	mean = T/2,  u = T/√12
//
// (JCGM 100, 4.3.7) with T the lumps' spacing over the readings in each. Both are
// 0 where readings come one by one: then nothing held them up that their times
// could show.
func lumpWait(s *Series) (meanS, uS float64) {
	if s == nil || len(s.Late) != len(s.T) {
		return 0, 0
	}
	var apart []float64
	lumps, last := 0, math.NaN()
	for i, t := range s.T {
		if s.Late[i] > 0 {
			continue
		}
		if lumps++; !math.IsNaN(last) {
			apart = append(apart, t-last)
		}
		last = t
	}
	if n := float64(len(s.T)); len(apart) == 0 || n-float64(lumps) < lumpedShare*n {
		return 0, 0
	}
	slices.Sort(apart)
	each := apart[len(apart)/2] * float64(lumps) / float64(len(s.T))
	return each / 2, each / math.Sqrt(12)
}

// arrivalPriors are the input's priors, with what lumps do to the latencies
// that nobody declared, and the indicators for which they do. The instruments'
// own delay is as much in doubt as before.
func arrivalPriors(in Input) (out Priors, lumped map[string]bool) {
	out, lumped = in.Priors, map[string]bool{}
	out.Indicators = map[string]IndicatorPrior{}
	for name, p := range in.Priors.Indicators {
		out.Indicators[name] = p
	}
	shift, varS, n := map[string]float64{}, map[string]float64{}, map[string]float64{}
	for i := range in.Sweeps {
		s := &in.Sweeps[i]
		ind, uInd := lumpWait(&s.Height)
		enc, uEnc := lumpWait(s.Encoder)
		shift[s.Indicator] += ind - enc
		varS[s.Indicator] += uInd*uInd + uEnc*uEnc
		n[s.Indicator]++
	}
	for name, count := range n {
		p, ok := in.Priors.Indicators[name]
		if !ok {
			p = in.Priors.Default
		}
		if p.FromArrivals && varS[name] > 0 {
			p.LatencyMS += 1000 * shift[name] / count
			p.LatencyUMS = math.Hypot(p.LatencyUMS, 1000*math.Sqrt(varS[name]/count))
			out.Indicators[name], lumped[name] = p, true
		}
	}
	return out, lumped
}

// priorFrom says where an indicator's latency beforehand is from.
func (j *job) priorFrom(indicator string) string {
	switch {
	case j.lumped[indicator]:
		return priorArrivals
	case j.indicatorPrior(indicator).FromArrivals:
		return priorAssumed
	}
	return priorDeclared
}
