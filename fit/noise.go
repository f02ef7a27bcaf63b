package fit

import (
	"math"
	"sort"
)

// A wrong reading lies anywhere within about a millimetre: it is that much
// rarer at one place than a good one is. spikeShare of all are taken to be wrong.
const (
	spikeShare  = 0.02
	spikeSpanMM = 1.0
)

// sureness is the probability that a residual of z times its scatter (sigma,
// mm) is a good reading's and not a wrong one's: nearly 1 up to 4, nearly 0
// from 5 on. Good readings lose nothing by it, wrong ones have no say.
func sureness(z, sigmaMM float64) float64 {
	if z = z * z / 2; z > 40 {
		return 0
	}
	wrong := spikeShare / (1 - spikeShare) * math.Sqrt(2*math.Pi) * sigmaMM / spikeSpanMM
	return 1 / (1 + wrong*math.Exp(z))
}

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
	var z []float64
	for _, p := range m.passes {
		widen := 1.0
		if first {
			z = z[:0]
			for i := 0; i < len(p.t); i += p.stride {
				if p.use[i] {
					z = append(z, math.Abs(p.res[i])/math.Sqrt(p.variance(i)))
				}
			}
			widen = math.Max(1, 1.4826*median(z))
		}
		for i := 0; i < len(p.t); i += p.stride {
			sigma := widen * math.Sqrt(p.variance(i))
			p.robust[i] = sureness(p.res[i]/sigma, sigma)
		}
	}
}

// spotSpikes takes a first look at each reading against its neighbours: one
// that leaves the straight lines between them by far starts with no weight. The
// descent may give it back.
func (p *pass) spotSpikes() {
	const leastMM = 0.05
	n := len(p.t)
	off := make([]float64, 0, n/p.stride+1)
	for i := 0; i < n; i += p.stride {
		var at [5]float64
		k := 0
		for _, pair := range [...][2]int{{1, 1}, {2, 2}, {1, 2}, {2, 1}, {3, 3}} {
			a, b := i-pair[0], i+pair[1]
			if a >= 0 && b < n && p.t[b] > p.t[a] {
				at[k] = p.y[a] + (p.y[b]-p.y[a])*(p.t[i]-p.t[a])/(p.t[b]-p.t[a])
				k++
			}
		}
		d := 0.0
		if k > 0 {
			d = math.Abs(p.y[i] - median(at[:k]))
		}
		off = append(off, d)
	}
	limit := math.Max(leastMM, 8*1.4826*median(append([]float64(nil), off...)))
	for k, i := 0, 0; i < n; i += p.stride {
		p.robust[i] = 1
		if off[k] > limit {
			p.robust[i] = 0
		}
		k++
	}
}

// noise is one setup's scatter: of the display, of the angle under it, and of
// the reading's time. The last two belong to the indicator.
type noise struct{ displayMM, angleDeg, timeS, floorMM float64 }

// variance is a reading's, mm², at a slope (mm per degree), a speed (degrees
// per second) and with a doubt of its smoothed angle (deg²).
func (n *noise) variance(slope, vel, blur float64) float64 {
	return n.displayMM*n.displayMM + slope*slope*(n.angleDeg*n.angleDeg+vel*vel*n.timeS*n.timeS+blur)
}

// variance is reading i's, mm².
func (p *pass) variance(i int) float64 {
	return p.noise.variance(p.slope[i], p.vel[i], p.blurAt(i))
}

// blurAt is the doubt of reading i's smoothed angle, deg².
func (p *pass) blurAt(i int) float64 { return p.track.blur[p.track.node(p.t[i]-p.lag)] }

const (
	ownParams  = 5    // about how many parameters a setup's readings feed alone
	ownWeight  = 10.0 // a setup's display is taken to be as its indicator's others by so many readings
	noiseTurns = 12
	noiseMost  = 4000 // so many readings tell an indicator's scatter well enough
	leastDeg   = 1e-4
	leastS     = 1e-5
)

// seen is a residual's square (mm²) with what makes its scatter.
type seen struct {
	r2, w, s2, v2, known float64
	of                   *noise
}

// learnNoise estimates each setup's display scatter and each indicator's angle
// and time scatter (felt through slope and speed) by maximum likelihood on the
// residuals, each as far as it is surely no wrong reading. The display's never
// falls below what its step alone makes: step/√12.
func (m *model) learnNoise() {
	var names []string
	groups := map[string][]*pass{}
	for _, p := range m.passes {
		if groups[p.src.Indicator] == nil {
			names = append(names, p.src.Indicator)
		}
		groups[p.src.Indicator] = append(groups[p.src.Indicator], p)
	}
	for _, name := range names {
		m.learnIndicator(groups[name])
	}
}

func (m *model) learnIndicator(passes []*pass) {
	total := 0
	for _, p := range passes {
		total += len(p.t) / p.stride
	}
	skip := max(1, total/noiseMost)
	list := m.seen[:0]
	var all float64
	count := map[*noise]float64{}
	for _, p := range passes {
		for i := 0; i < len(p.t); i += p.stride * skip {
			if p.use[i] && p.robust[i] > 0.01 {
				s2 := p.slope[i] * p.slope[i]
				list = append(list, seen{p.res[i] * p.res[i], p.robust[i], s2, s2 * p.vel[i] * p.vel[i], s2 * p.blurAt(i), p.noise})
				sure := p.robust[i] * float64(skip)
				count[p.noise], all = count[p.noise]+sure, all+sure
			}
		}
	}
	m.seen = list
	if all >= 3*ownParams {
		refine(list, count)
	}
}

// refine improves the scatters that made list, each of so many readings.
func refine(list []seen, count map[*noise]float64) {
	for i := range list { // what the parameters have taken up of the scatter
		n := count[list[i].of]
		list[i].r2 *= n / math.Max(n-ownParams, 0.3*n)
	}
	for range noiseTurns {
		improve(list)
	}
}

// improve is one step of the multiplicative iteration for variance components
// under normal noise, θ ← θ·(Σ c r²/v² ÷ Σ c/v), which stands still where the
// likelihood is highest.
func improve(list []seen) {
	type ratio struct{ num, den float64 }
	var angle, time, display ratio
	own := map[*noise]*ratio{}
	var last *noise
	var mine *ratio
	var d2, a2, t2 float64
	for i := range list {
		s := &list[i]
		if s.of != last {
			last = s.of
			if mine = own[last]; mine == nil {
				mine = &ratio{}
				own[last] = mine
			}
			d2, a2, t2 = last.displayMM*last.displayMM, last.angleDeg*last.angleDeg, last.timeS*last.timeS
		}
		v := d2 + s.s2*a2 + s.v2*t2 + s.known
		den := s.w / v
		num := den * s.r2 / v
		mine.num, mine.den = mine.num+num, mine.den+den
		display.num, display.den = display.num+num, display.den+den
		angle.num, angle.den = angle.num+num*s.s2, angle.den+den*s.s2
		time.num, time.den = time.num+num*s.v2, time.den+den*s.v2
	}
	root := func(r ratio) float64 {
		if !(r.den > 0) || !(r.num > 0) {
			return 1
		}
		return math.Sqrt(r.num / r.den) // of the standard deviation
	}
	share := ownWeight / math.Max(float64(len(list)), 1)
	for n, r := range own {
		n.displayMM = math.Max(n.displayMM*root(ratio{r.num + share*display.num, r.den + share*display.den}), n.floorMM)
		n.angleDeg = math.Min(math.Max(n.angleDeg*root(angle), leastDeg), 1)
		n.timeS = math.Min(math.Max(n.timeS*root(time), leastS), 1)
	}
}

// correlate measures, for each indicator over all its sweeps, how much
// neighbouring readings still repeat each other in what they say of the top (a
// model is never perfect): 1 + 2 Σ ρ_k, never below 1. White-noise doubt is too
// small by its root.
func (m *model) correlate() {
	byIndicator := map[string][][]float64{}
	for _, p := range m.passes {
		if p.readOff {
			continue
		}
		byIndicator[p.src.Indicator] = append(byIndicator[p.src.Indicator], p.surprise)
	}
	more := map[string]float64{}
	for name, runs := range byIndicator {
		more[name] = varianceInflation(runs)
	}
	for _, r := range m.rides {
		f := 1.0
		for _, p := range r.passes {
			f = math.Max(f, more[p.src.Indicator])
		}
		for _, p := range r.passes {
			p.vif *= f
		}
		r.sums.thin = 1 / f
		for i := range r.sums.seg {
			r.sums.seg[i].scale(1 / f)
			r.sums.steps[i].scale(1 / f)
		}
	}
}

const mostLags = 200

// varianceInflation sums the pooled autocorrelation of several runs up to its
// first fall to nothing, at most a fifth of the mean run and mostLags.
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
	for k := 1; k <= min(int(n/float64(len(runs))/5), mostLags); k++ {
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
