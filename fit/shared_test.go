package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The sums over surprises are those of generalised least squares: JᵀR⁻¹J and
// JᵀR⁻¹r with R the readings' own scatter plus what the track's error gives
// them in common, that from the encoder's points by the full covariance of an
// integrated Wiener process: a pass alone, and two at once on different slopes.
func TestWhitenedIsLeastSquaresWithFullCovariance(t *testing.T) {
	const restless = 2.0
	for _, list := range [][]int{{1}, {1, 4}} {
		s := newSynth()
		s.encoderStep, s.everyS, s.encoderS = 0.25, 0.1, 0.02
		s.errDeg[4] = 7
		j := builtJob(t, s.input(s.together(list, 1, 1, -20, 20, 8)))
		r := j.passes[0].ride
		if len(r.passes) != len(list) {
			t.Fatalf("%d passes in the ride, want %d", len(r.passes), len(list))
		}
		for i := range r.passes[0].track.restless {
			r.passes[0].track.restless[i] = restless
		}
		for _, p := range r.passes {
			for i := range p.robust {
				p.robust[i] = 1
			}
		}
		j.model.whiten(r)
		a, b := whitenDensely(j.model, r, restless)
		for p := range list {
			sameSums(t, &r.sums.seg[0], a, b, p)
		}
	}
}

func builtJob(t *testing.T, in Input) *job {
	t.Helper()
	j := newJob(in)
	j.anchor = 1
	if err := j.prepare(); err != nil {
		t.Fatal(err)
	}
	if err := j.build(true); err != nil {
		t.Fatal(err)
	}
	return j
}

// sameSums holds pass q's block, and those between it and the passes before it,
// against the dense matrix.
func sameSums(t *testing.T, got *system, a *mat.Dense, b *mat.VecDense, q int) {
	t.Helper()
	at := func(p, i int) int { return p*colCount + i }
	for k := range colCount {
		kk := a.At(at(q, k), at(q, k))
		if off := got.own[q].b[k] - b.AtVec(at(q, k)); math.Abs(off) > 0.02*math.Sqrt(kk) {
			t.Errorf("pass %d: b[%d] = %g, want %g", q, k, got.own[q].b[k], b.AtVec(at(q, k)))
		}
		for p := range q + 1 {
			for i := range colCount {
				have := got.own[q].a[min(i, k)][max(i, k)]
				if p < q {
					have = got.pairs[pair(p, q)][i][k]
				}
				want := a.At(at(p, i), at(q, k))
				if scale := math.Sqrt(a.At(at(p, i), at(p, i))*kk) + 1e-12; math.Abs(have-want) > 1e-3*scale {
					t.Errorf("passes %d and %d: A[%d][%d] = %g, want %g", p, q, i, k, have, want)
				}
			}
		}
	}
}

// dense is readings and points as rows of one large matrix.
type dense struct {
	at, slope, own, res []float64
	d                   [][]float64
}

func (l *dense) add(at, slope, own, res float64, d []float64) {
	l.at, l.slope, l.own, l.res, l.d = append(l.at, at), append(l.slope, slope), append(l.own, own), append(l.res, res), append(l.d, d)
}

// whitenDensely does what whiten does with one large matrix over points and
// readings of all passes.
func whitenDensely(m *model, r *ride, restless float64) (*mat.Dense, *mat.VecDense) {
	var rows dense
	first, last := math.Inf(1), math.Inf(-1)
	width := len(r.passes) * colCount
	for n, p := range r.passes {
		v := m.viewOf(p)
		for i := range p.t {
			if !p.use[i] {
				continue
			}
			var c columns
			pred, _, slope, vel := v.at(p, i, &c)
			d := make([]float64, width)
			copy(d[n*colCount:], c[:])
			first, last = math.Min(first, p.t[i]-v.tau), math.Max(last, p.t[i]-v.tau)
			rows.add(p.t[i]-v.tau, slope, p.noise.variance(slope, vel, 0), p.y[i]-pred, d)
		}
	}
	k := r.passes[0].track
	for _, q := range k.points {
		if q.t >= first-leadS && q.t <= last+leadS {
			theta, _, _ := k.at(q.t)
			rows.add(q.t, 1, q.variance, q.deg-theta, make([]float64, width))
		}
	}
	return rows.solved(restless, width)
}

func (l *dense) solved(restless float64, width int) (*mat.Dense, *mat.VecDense) {
	n, start := len(l.at), slices.Min(l.at)
	cov, j := mat.NewSymDense(n, nil), mat.NewDense(n, width, nil)
	for i := range n {
		for k := i; k < n; k++ {
			a, b := l.at[i]-start, l.at[k]-start
			lo, hi := math.Min(a, b), math.Max(a, b)
			common := 1 + 1e4*a*b + restless*lo*lo*(3*hi-lo)/6 // unknownMotion's start, then the integrated Wiener process
			cov.SetSym(i, k, l.slope[i]*l.slope[k]*common)
		}
		cov.SetSym(i, i, cov.At(i, i)+l.own[i])
		j.SetRow(i, l.d[i])
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		panic("no covariance")
	}
	var rj, a mat.Dense
	if err := chol.SolveTo(&rj, j); err != nil {
		panic(err)
	}
	a.Mul(j.T(), &rj)
	var b mat.VecDense
	b.MulVec(rj.T(), mat.NewVecDense(n, l.res))
	return &a, &b
}

// Projecting a private offset of each pass out of a system, and following them back,
// is solving the whole: held against the dense matrix with the offsets in it.
func TestPrivateOffsetsOfPassesTogether(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	s, n := newSystem(2), 2*colCount
	whole, right := mat.NewSymDense(n+2, nil), mat.NewVecDense(n+2, nil)
	offsets := []private{{val: 0.3, sd: 0.5}, {val: -0.2, sd: 2}}
	for range 60 {
		d, row, w, res := make([]columns, 2), make([]float64, n+2), r.Float64(), r.NormFloat64()
		for i := range n {
			row[i] = r.NormFloat64()
			d[i/colCount][i%colCount] = row[i]
		}
		row[n], row[n+1] = d[0][colOne], d[1][colOne]
		s.add(w, res, d)
		whole.SymRankOne(whole, w, mat.NewVecDense(n+2, row))
		right.AddScaledVec(right, w*res, mat.NewVecDense(n+2, row))
	}
	out := make([]eliminated, 2)
	for i, q := range offsets {
		known := 1 / (q.sd * q.sd)
		whole.SetSym(n+i, n+i, whole.At(n+i, n+i)+known)
		right.SetVec(n+i, right.AtVec(n+i)-q.val*known)
		s.project(i, q, &out[i])
	}
	left, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		p, q := i/colCount, 0
		b.SetVec(i, s.own[p].b[i%colCount])
		for k := i; k < n; k++ {
			if q = k / colCount; p == q {
				left.SetSym(i, k, s.own[p].a[i%colCount][k%colCount])
			} else {
				left.SetSym(i, k, s.pairs[pair(p, q)][i%colCount][k%colCount])
			}
		}
	}
	var want, got mat.VecDense
	if err := want.SolveVec(whole, right); err != nil {
		t.Fatal(err)
	}
	if err := got.SolveVec(left, b); err != nil {
		t.Fatal(err)
	}
	d := make([]columns, 2)
	for i := range n {
		d[i/colCount][i%colCount] = got.AtVec(i)
		if math.Abs(got.AtVec(i)-want.AtVec(i)) > 1e-8 {
			t.Errorf("column %d: %g, want %g", i, got.AtVec(i), want.AtVec(i))
		}
	}
	follow(out, d, pulled, func(i int, own float64) {
		if math.Abs(own-want.AtVec(n+i)) > 1e-8 {
			t.Errorf("offset %d: %g, want %g", i, own, want.AtVec(n+i))
		}
	})
}
