package fit

// cross is JₚᵀWJ_q between the columns of two passes.
type cross [colCount]columns

func (c *cross) add(w float64, p, q *columns) {
	for i := range p {
		wp := w * p[i]
		for j := range q {
			c[i][j] += wp * q[j]
		}
	}
}

// system is the normal matrix and the gradient of readings over the columns of a
// ride's passes side by side: a block for each pass, and what stands between each two.
type system struct {
	own   []block
	pairs []cross // of passes p < q: at pair(p, q)
}

func pair(p, q int) int { return q*(q-1)/2 + p }

func newSystem(passes int) system {
	return system{make([]block, passes), make([]cross, pair(0, passes))}
}

func (s *system) empty() {
	clear(s.own)
	clear(s.pairs)
}

// add takes in a reading with its derivatives by the columns of each pass.
func (s *system) add(w, res float64, d []columns) {
	for q := range s.own {
		s.own[q].add(w, res, &d[q])
		for p := range q {
			s.pairs[pair(p, q)].add(w, &d[p], &d[q])
		}
	}
}

func (s *system) join(o *system) {
	for i := range s.own {
		s.own[i].join(&o.own[i])
	}
	for i := range s.pairs {
		for k := range colCount {
			for j := range colCount {
				s.pairs[i][k][j] += o.pairs[i][k][j]
			}
		}
	}
}

func (s *system) scale(f float64) {
	for i := range s.own {
		s.own[i].scale(f)
	}
	for i := range s.pairs {
		for k := range colCount {
			for j := range colCount {
				s.pairs[i][k][j] *= f
			}
		}
	}
}

// form is the quadratic form vᵀAv.
func (s *system) form(v []columns) (sum float64) {
	for q := range s.own {
		sum += s.own[q].form(&v[q])
		for p := range q {
			for i, row := range s.pairs[pair(p, q)] {
				for j, a := range row {
					sum += 2 * a * v[p][i] * v[q][j]
				}
			}
		}
	}
	return sum
}

// ones is the row of pass p's constant, by the columns of pass q.
func (s *system) ones(p, q int) (row columns) {
	for j := range row {
		switch {
		case p == q:
			row[j] = s.own[p].a[min(j, colOne)][max(j, colOne)]
		case p < q:
			row[j] = s.pairs[pair(p, q)][colOne][j]
		default:
			row[j] = s.pairs[pair(q, p)][j][colOne]
		}
	}
	return row
}

// eliminated is a private unknown projected out of a system: its row by the
// passes' columns, its pivot and its gradient, from which its step follows.
type eliminated struct {
	row         []columns
	pivot, pull float64
}

// project takes one private unknown of pass n out: A − rowᵀrow/pivot.
func (s *system) project(n int, q private, e *eliminated) {
	e.row, e.pivot, e.pull = e.row[:0], 0, 0
	if q.sd == 0 {
		return
	}
	for k := range s.own {
		e.row = append(e.row, s.ones(n, k))
	}
	known := 1 / (q.sd * q.sd)
	e.pivot, e.pull = s.own[n].a[colOne][colOne]+known, s.own[n].b[colOne]-q.val*known
	for k := range s.own {
		own := &s.own[k]
		for i := range colCount {
			f := e.row[k][i] / e.pivot
			own.b[i] -= f * e.pull
			for j := i; j < colCount; j++ {
				own.a[i][j] -= f * e.row[k][j]
			}
		}
		for p := range k {
			s.pairs[pair(p, k)].add(-1/e.pivot, &e.row[p], &e.row[k])
		}
	}
}

// step is the private unknown's own step where the passes' columns move by d.
func (e *eliminated) step(pull float64, d []columns) float64 {
	if e.pivot == 0 {
		return 0
	}
	for k := range e.row {
		for i := range d[k] {
			pull -= e.row[k][i] * d[k][i]
		}
	}
	return pull / e.pivot
}

// Whether unknowns that were projected out take their own step or only go along.
type going bool

const pulled, still going = true, false

// follow lets one unknown of each pass, projected out in order, go along with d,
// which it joins, and tells each one's step.
func follow(out []eliminated, d []columns, how going, stepped func(n int, own float64)) {
	for n := len(out) - 1; n >= 0; n-- {
		pull := 0.0
		if how == pulled {
			pull = out[n].pull
		}
		own := out[n].step(pull, d)
		stepped(n, own)
		d[n][colOne] += own
	}
}
