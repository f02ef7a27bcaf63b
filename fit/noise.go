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

// learnNoise estimates each setup's two kinds of scatter, of the display (mm)
// and of the angle (deg, felt through the slope), by maximum likelihood on the
// residuals, weighted as the fit weighed them. They never fall below what the
// display's step alone makes: step/√12.
func (m *model) learnNoise() {
	groups := map[*noise][]*pass{}
	for _, p := range m.passes {
		groups[p.noise] = append(groups[p.noise], p)
	}
	for n, ps := range groups {
		var r2, s2, w []float64
		for _, p := range ps {
			for i := range p.t {
				if p.use[i] && p.robust[i] > 0 {
					r2 = append(r2, p.res[i]*p.res[i])
					s2 = append(s2, p.slope[i]*p.slope[i])
					w = append(w, p.robust[i])
				}
			}
		}
		if len(r2) < 8 {
			continue
		}
		n.fit(r2, s2, w)
	}
}

// fit minimises Σ w (ln v + r²/v), v = display² + slope²·angle², on a grid
// that narrows.
func (n *noise) fit(r2, s2, w []float64) {
	loss := func(a, b float64) float64 {
		var sum float64
		a, b = a*a, b*b
		for i := range r2 {
			v := a + s2[i]*b
			sum += w[i] * (math.Log(v) + r2[i]/v)
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

// correlate measures, sweep by sweep, how much neighbouring residuals repeat
// each other (a count lasts for several readings, a model is never perfect):
// vif = 1 + 2 Σ ρ_k, never below 1. White-noise doubt is too small by √vif.
func (m *model) correlate() {
	for _, p := range m.passes {
		z := make([]float64, 0, len(p.t))
		for i := range p.t {
			if p.use[i] && p.robust[i] > 0 {
				z = append(z, p.res[i]/math.Sqrt(p.noise.variance(p.slope[i])))
			}
		}
		p.vif = varianceInflation(z)
	}
}

// varianceInflation sums the autocorrelation up to its first fall under
// 1/√n (what chance makes), at most n/5 lags.
func varianceInflation(z []float64) float64 {
	n := len(z)
	if n < 10 {
		return 2
	}
	var c0 float64
	for _, v := range z {
		c0 += v * v
	}
	if c0 == 0 {
		return 1
	}
	vif := 1.0
	for k := 1; k <= n/5; k++ {
		var c float64
		for i := k; i < n; i++ {
			c += z[i] * z[i-k]
		}
		rho := c / c0
		if rho < 1/math.Sqrt(float64(n)) {
			break
		}
		vif += 2 * rho
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
