package fit

import (
	"math"
	"sort"
)

// biweight is Tukey's ψ(z)/z for residuals in units of their scatter: full
// weight near 0, none beyond c = 4.685 (95 % efficient for normal noise).
func biweight(z float64) float64 {
	const c = 4.685
	if z = math.Abs(z) / c; z >= 1 {
		return 0
	}
	return (1 - z*z) * (1 - z*z)
}

// downweigh refreshes the robust weights from the residuals. first: the
// scatter is not known yet, so it is taken from the residuals' median.
func (m *model) downweigh(first bool) {
	for _, p := range m.passes {
		widen := 1.0
		if first {
			var z []float64
			for i := range p.t {
				if p.use[i] {
					z = append(z, math.Abs(p.res[i])/math.Sqrt(p.noise.variance(p.slope[i])))
				}
			}
			widen = math.Max(1, 1.4826*median(z))
		}
		for i := range p.t {
			p.robust[i] = biweight(p.res[i] / (widen * math.Sqrt(p.noise.variance(p.slope[i]))))
		}
	}
}

// spotSpikes takes a first look at each reading against its neighbours: one
// that leaves the straight lines between them by far starts with no weight. The
// descent may give it back.
func (p *pass) spotSpikes() {
	const leastMM = 0.05
	n := len(p.t)
	off := make([]float64, n)
	for i := range p.t {
		var at []float64
		for _, pair := range [][2]int{{1, 1}, {2, 2}, {1, 2}, {2, 1}, {3, 3}} {
			a, b := i-pair[0], i+pair[1]
			if a >= 0 && b < n && p.t[b] > p.t[a] {
				at = append(at, p.y[a]+(p.y[b]-p.y[a])*(p.t[i]-p.t[a])/(p.t[b]-p.t[a]))
			}
		}
		if len(at) > 0 {
			off[i] = math.Abs(p.y[i] - median(at))
		}
	}
	limit := math.Max(leastMM, 8*1.4826*median(append([]float64(nil), off...)))
	for i := range p.t {
		p.robust[i] = 1
		if off[i] > limit {
			p.robust[i] = 0
		}
	}
}

// ownParams is about how many parameters a setup's readings feed alone.
const ownParams = 8

// learnNoise estimates each setup's two kinds of scatter, of the display (mm)
// and of the angle (deg, felt through the slope), by maximum likelihood on the
// residuals within 3.5 of their scatter, so that spikes do not count. They never fall below what the
// display's step alone makes: step/√12.
func (m *model) learnNoise() {
	const keptWeight = 0.195 // biweight(3.5)
	groups := map[*noise][]*pass{}
	for _, p := range m.passes {
		groups[p.noise] = append(groups[p.noise], p)
	}
	for n, ps := range groups {
		var r2, s2 []float64
		for _, p := range ps {
			for i := range p.t {
				if p.use[i] && p.robust[i] > keptWeight {
					r2 = append(r2, p.res[i]*p.res[i])
					s2 = append(s2, p.slope[i]*p.slope[i])
				}
			}
		}
		if free := float64(len(r2)) - ownParams; free > ownParams {
			n.fit(r2, s2)
			grow := math.Sqrt(float64(len(r2)) / free)
			n.displayMM, n.angleDeg = n.displayMM*grow, n.angleDeg*grow
		}
	}
}

// fit minimises Σ (ln v + r²/v), v = display² + slope²·angle², on a grid that
// narrows.
func (n *noise) fit(r2, s2 []float64) {
	loss := func(a, b float64) float64 {
		var sum float64
		a, b = a*a, b*b
		for i := range r2 {
			v := a + s2[i]*b
			sum += math.Log(v) + r2[i]/v
		}
		return sum
	}
	la, lb := math.Log(math.Max(n.displayMM, n.floorMM)), math.Log(math.Max(n.angleDeg, 1e-4))
	for width := 2.0; width > 0.02; width *= 0.5 {
		bestA, bestB, best := la, lb, math.Inf(1)
		for i := -2; i <= 2; i++ {
			for j := -2; j <= 2; j++ {
				a := math.Max(la+width*float64(i)/2, math.Log(n.floorMM))
				b := math.Min(math.Max(lb+width*float64(j)/2, math.Log(1e-4)), math.Log(1.0))
				if l := loss(math.Exp(a), math.Exp(b)); l < best {
					best, bestA, bestB = l, a, b
				}
			}
		}
		la, lb = bestA, bestB
	}
	n.displayMM, n.angleDeg = math.Exp(la), math.Exp(lb)
}

// correlate measures, for each indicator over all its sweeps, how much
// neighbouring residuals repeat each other (a count lasts for several readings,
// a model is never perfect): vif = 1 + 2 Σ ρ_k, never below 1. White-noise
// doubt is too small by √vif.
func (m *model) correlate() {
	byIndicator := map[string][][]float64{}
	for _, p := range m.passes {
		z := make([]float64, 0, len(p.t))
		for i := range p.t {
			if p.use[i] && p.robust[i] > 0 {
				z = append(z, p.res[i]/math.Sqrt(p.noise.variance(p.slope[i])))
			}
		}
		byIndicator[p.src.Indicator] = append(byIndicator[p.src.Indicator], z)
	}
	for _, p := range m.passes {
		p.vif = varianceInflation(byIndicator[p.src.Indicator])
	}
}

// varianceInflation sums the pooled autocorrelation of several runs up to its
// first fall to nothing, at most a fifth of the mean run.
func varianceInflation(runs [][]float64) float64 {
	var c0, n float64
	for _, z := range runs {
		for _, v := range z {
			c0 += v * v
		}
		n += float64(len(z))
	}
	if n < 10 {
		return 2
	}
	if c0 == 0 {
		return 1
	}
	vif := 1.0
	for k := 1; k <= int(n/float64(len(runs))/5); k++ {
		var c, pairs float64
		for _, z := range runs {
			for i := k; i < len(z); i++ {
				c += z[i] * z[i-k]
				pairs++
			}
		}
		if pairs == 0 || c <= 0 {
			break
		}
		vif += 2 * (c / pairs) / (c0 / n)
	}
	return vif
}

// median of v, which it sorts; 0 of nothing.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	sort.Float64s(v)
	if n := len(v); n%2 == 0 {
		return (v[n/2-1] + v[n/2]) / 2
	}
	return v[len(v)/2]
}
