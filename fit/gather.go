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

// passSums are a pass's blocks, one for each stretch between re-grips, and what
// is left of them when the offsets that belong to the pass alone (they are
// linear) have been projected out.
type passSums struct {
	seg, steps []block // steps: the part of seg whose scatter is the angle's
	segOut     []eliminated
	shiftOut   eliminated
	whole      block
	cost       float64
}

// eliminated is a private unknown projected out of a block: its row, its
// pivot and its gradient, from which its step follows.
type eliminated struct {
	row         columns
	pivot, pull float64
}

// project takes one private unknown out of a block: A − rowᵀrow/pivot.
func (k *block) project(q private) (e eliminated) {
	if q.sd == 0 {
		return e
	}
	for j := range colCount {
		e.row[j] = k.a[min(j, colOne)][max(j, colOne)]
	}
	known := 1 / (q.sd * q.sd)
	e.pivot, e.pull = k.a[colOne][colOne]+known, k.b[colOne]-q.val*known
	for i := range colCount {
		f := e.row[i] / e.pivot
		k.b[i] -= f * e.pull
		for j := i; j < colCount; j++ {
			k.a[i][j] -= f * e.row[j]
		}
	}
	return e
}

// step is the private unknown's own step when the columns move by d.
func (e *eliminated) step(d *columns) float64 {
	if e.pivot == 0 {
		return 0
	}
	sum := e.pull
	for i := range d {
		sum -= e.row[i] * d[i]
	}
	return sum / e.pivot
}

// How gather takes the readings.
type gathering int

const (
	frozen  gathering = iota // with the weights as they are
	reweigh                  // with new weights, by their residuals and the scatter
)

// gather evaluates a pass at the current parameters: angles, residuals and
// slopes of its readings, its blocks and its share of the cost.
func (m *model) gather(p *pass, how gathering) {
	v := m.viewOf(p)
	s := &p.sums
	if len(s.seg) != len(p.segs) {
		s.seg, s.segOut = make([]block, len(p.segs)), make([]eliminated, len(p.segs))
	}
	clear(s.seg)
	s.cost = 0
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
			s.cost += w * res * res
			s.seg[at].add(w, res, &d)
		}
	}
	s.project(p)
	s.cost += prior(p.shift)
	for _, q := range p.seg {
		s.cost += prior(q)
	}
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

// project reduces the stretches' blocks to the whole.
func (s *passSums) project(p *pass) {
	s.whole = block{}
	for i := range s.seg {
		k := s.seg[i]
		s.segOut[i] = k.project(p.seg[i])
		s.whole.join(&k)
	}
	s.shiftOut = s.whole.project(p.shift)
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
	for _, p := range m.passes {
		m.gather(p, how)
		sum += p.sums.cost
	}
	return sum / 2
}

// whitenAll makes the blocks of the covariance, with what neighbouring readings
// share; where they still repeat each other they count for less.
func (m *model) whitenAll() {
	for _, p := range m.passes {
		m.whiten(p)
	}
	m.correlate()
	for _, p := range m.passes {
		p.sums.project(p)
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
