package fit

import "math"

// block is the normal matrix JᵀWJ (upper triangle) and the gradient JᵀWr of
// some readings, by columns.
type block struct {
	a [colCount]columns
	b columns
}

func (k *block) add(w, res float64, d *columns) {
	for i := range d {
		wd := w * d[i]
		k.b[i] += wd * res
		row := &k.a[i]
		for j := i; j < colCount; j++ {
			row[j] += wd * d[j]
		}
	}
}

func (k *block) join(o *block) {
	for i := range k.b {
		k.b[i] += o.b[i]
		for j := i; j < colCount; j++ {
			k.a[i][j] += o.a[i][j]
		}
	}
}

// form is the quadratic form vᵀAv.
func (k *block) form(v *columns) (sum float64) {
	for i := range v {
		sum += k.a[i][i] * v[i] * v[i]
		for j := i + 1; j < colCount; j++ {
			sum += 2 * k.a[i][j] * v[i] * v[j]
		}
	}
	return sum
}

// How gather takes the readings.
type gathering int

const (
	frozen  gathering = iota // with the weights as they are
	reweigh                  // with new weights, by their residuals and the scatter
)

// gather evaluates a ride's passes at the current parameters: angles, residuals and
// slopes of their readings, each as if it stood alone, their blocks and their share of the cost.
func (m *model) gather(r *ride, how gathering) {
	s := &r.sums
	s.empty(len(r.passes), len(r.passes[0].segs))
	for n, p := range r.passes {
		s.cost += m.gatherPass(p, s.seg, n, how)
	}
	s.project(r.passes)
	for _, p := range r.passes {
		s.cost += prior(p.shift)
		for _, q := range p.seg {
			s.cost += prior(q)
		}
	}
}

// gatherPass adds a ride's n-th pass up, by stretches, and returns the cost of its readings.
func (m *model) gatherPass(p *pass, to []system, n int, how gathering) (cost float64) {
	v := m.viewOf(p)
	var d columns
	at := 0
	for i := 0; i < len(p.t); i += p.stride {
		if !p.use[i] {
			continue
		}
		for at < len(p.segs)-1 && p.t[i]-v.tau >= p.segs[at].to {
			at++
		}
		res := p.look(&v, i, at, &d)
		if how == reweigh {
			p.reweigh(i)
		}
		if w := p.w[i]; w > 0 {
			cost += w * res * res
			to[at].own[n].add(w, res, &d)
		}
	}
	return cost
}

// look evaluates reading i, in stretch k: where it lies and its residual, which
// it returns with the derivatives.
func (p *pass) look(v *view, i, k int, d *columns) (res float64) {
	pred, x, slope, vel := v.at(p, i, d)
	res = p.y[i] - pred - p.seg[k].val
	p.x[i], p.slope[i], p.vel[i], p.res[i] = x, slope, vel, res
	return res
}

// reweigh gives a reading its weight by its residual and the scatter.
func (p *pass) reweigh(i int) {
	v := p.variance(i)
	sigma := math.Sqrt(v)
	p.robust[i] = sureness(p.res[i]/sigma, sigma)
	p.w[i] = p.robust[i] / v
}

func prior(q private) float64 {
	if q.sd == 0 {
		return 0
	}
	return q.val * q.val / (q.sd * q.sd)
}

// spread turns a vector over the parameters into one over a pass's columns.
func (p *pass) spread(v []float64) (d columns) {
	for _, t := range p.terms {
		d[t.col] += t.coef * v[t.param]
	}
	return d
}

// gatherAll evaluates all passes and returns half the weighted sum of squares,
// priors included.
func (m *model) gatherAll(how gathering) float64 {
	var sum float64
	for i := range m.params {
		if p := &m.params[i]; !math.IsInf(p.sd, 1) {
			d := (p.val - p.mean) / p.sd
			sum += d * d
		}
	}
	for _, r := range m.rides {
		m.gather(r, how)
		sum += r.sums.cost
	}
	return sum / 2
}

// whitenAll makes the blocks of the covariance, with what neighbouring readings
// share; where they still repeat each other they count for less.
func (m *model) whitenAll() {
	for _, r := range m.rides {
		m.whiten(r)
	}
	m.correlate()
	for _, r := range m.rides {
		r.sums.project(r.passes)
	}
}

func (k *block) scale(f float64) {
	for i := range k.b {
		k.b[i] *= f
		for j := i; j < colCount; j++ {
			k.a[i][j] *= f
		}
	}
}
