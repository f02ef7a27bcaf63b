package fit

import (
	"errors"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"

	"crownmark/fit/crank"
)

// Vertex is the top that a parabola or a chord found.
type Vertex struct {
	AngleDeg float64
	UDeg     float64 // standard uncertainty from the readings alone
	PeakMM   float64
	Curve    float64 // second derivative, mm/deg²; negative at a top
	N        int
}

var (
	errFewReadings = errors.New("too few readings about the top")
	errUpsideDown  = errors.New("the curve has a bottom where the top should be")
	errOutside     = errors.New("the readings do not reach both sides of the top")
)

// Parabola fits y ≈ a + b·x + c·x² by least squares (QR) within ±halfDeg of its
// own vertex, moving the window until it is centred. x in degrees, y in mm, any
// order. Robust against single wrong readings. It fails, with the reason, where
// the window cannot be centred on a top inside the readings.
func Parabola(x, y []float64, startDeg, halfDeg float64) (Vertex, error) {
	return centred(x, y, startDeg, halfDeg, 1e-5)
}

// centred is Parabola, its window centred to stillDeg.
func centred(x, y []float64, startDeg, halfDeg, stillDeg float64) (Vertex, error) {
	v := Vertex{AngleDeg: startDeg}
	lo, hi := bounds(x)
	var room window
	for range 30 {
		from, to := v.AngleDeg-halfDeg, v.AngleDeg+halfDeg
		next, err := room.parabola(x, y, from, to)
		if err != nil {
			return next, err
		}
		if next.AngleDeg < lo || next.AngleDeg > hi {
			return next, errOutside
		}
		move := next.AngleDeg - v.AngleDeg
		next.AngleDeg = v.AngleDeg + math.Min(math.Max(move, -halfDeg/2), halfDeg/2)
		v = next
		if math.Abs(move) < stillDeg {
			return v, nil
		}
	}
	return v, nil // the last moves are readings coming and going at the window's ends
}

// parabola is one robust least-squares parabola over [from, to].
func (r *window) parabola(x, y []float64, from, to float64) (Vertex, error) {
	mid, half := (from+to)/2, (to-from)/2
	u, v := r.u[:0], r.v[:0]
	for i := range x {
		if x[i] >= from && x[i] <= to {
			u, v = append(u, (x[i]-mid)/half), append(v, y[i])
		}
	}
	if len(u) < 6 {
		return Vertex{}, errFewReadings
	}
	r.fill(u, v)
	beta, cov, err := r.robust()
	if err != nil {
		return Vertex{}, err
	}
	if beta[2] >= 0 {
		return Vertex{}, errUpsideDown
	}
	top := -beta[1] / (2 * beta[2])
	// d top/d b = −1/(2c), d top/d c = −top/c
	db, dc := -1/(2*beta[2]), -top/beta[2]
	variance := db*db*cov.At(1, 1) + 2*db*dc*cov.At(1, 2) + dc*dc*cov.At(2, 2)
	return Vertex{AngleDeg: mid + half*top, UDeg: half * math.Sqrt(math.Max(variance, 0)),
		PeakMM: beta[0] + beta[1]*top/2, Curve: 2 * beta[2] / half / half, N: len(u)}, nil
}

// robust is quadratic with each reading weighed by its residual, until that
// changes nothing.
func (r *window) robust() (beta [3]float64, cov *mat.SymDense, err error) {
	var before [3]float64
	for range 12 {
		if beta, cov, err = r.quadratic(); err != nil {
			return beta, nil, err
		}
		if math.Abs(beta[1]-before[1]) < 1e-7*math.Abs(beta[2]) && math.Abs(beta[2]-before[2]) < 1e-6*math.Abs(beta[2]) {
			break
		}
		before = beta
		for i, u := range r.u {
			r.res[i] = math.Abs(r.v[i] - beta[0] - u*(beta[1]+u*beta[2]))
		}
		copy(r.sorted, r.res)
		scale := 1.4826*median(r.sorted) + 1e-9
		for i := range r.w {
			r.w[i] = biweight(r.res[i] / scale)
		}
	}
	return beta, cov, nil
}

// window is the readings within a window, scaled to ±1, their weights, and room
// to work in that serves again when the window moves.
type window struct{ u, v, w, res, sorted, rows, side []float64 }

// fill takes new readings in, all of weight 1.
func (r *window) fill(u, v []float64) {
	n := len(u)
	r.u, r.v = u, v
	if cap(r.w) < n {
		r.w, r.res, r.sorted = make([]float64, n), make([]float64, n), make([]float64, n)
		r.rows, r.side = make([]float64, 3*n), make([]float64, n)
	}
	r.w, r.res, r.sorted, r.rows, r.side = r.w[:n], r.res[:n], r.sorted[:n], r.rows[:3*n], r.side[:n]
	for i := range r.w {
		r.w[i] = 1
	}
}

// quadratic is the weighted least-squares solution of v ≈ β0 + β1·u + β2·u² by
// QR and its covariance.
func (r *window) quadratic() (beta [3]float64, cov *mat.SymDense, err error) {
	u, v, w, rows, side := r.u, r.v, r.w, r.rows, r.side
	live, sum := 0, 0.0
	for i := range u {
		s := math.Sqrt(w[i])
		rows[3*i], rows[3*i+1], rows[3*i+2] = s, s*u[i], s*u[i]*u[i]
		side[i] = s * v[i]
		sum += w[i]
		if w[i] > 0 {
			live++
		}
	}
	if live < 5 {
		return beta, nil, errFewReadings
	}
	got, err := leastSquares(rows, 3, side, math.Max(sum-3, 1))
	if err != nil {
		return beta, nil, errFewReadings
	}
	copy(beta[:], got.coef)
	return beta, got.cov, nil
}

// BiasesDeg are how far after the true top of this crank parabola and chord lie
// by the geometry alone: the cubic term of an offset pin (for the chord to first
// order D²·(r/2l)·tan θ_top, D the half-span in rad), found by using both on the
// exact rise, with even readings. 0 where one of them fails.
func BiasesDeg(g crank.Geometry) (parabola, chord float64) {
	x, y := exact(g, 161)
	v, err := Parabola(x, y, 0, parabolaHalfDeg)
	if err != nil {
		return 0, 0
	}
	x, y = exact(g, 1801) // the chord reads between neighbours
	w, err := Chord(x, y, v, chordFromMM, chordToMM)
	if err != nil {
		return v.AngleDeg, 0
	}
	return v.AngleDeg, w.AngleDeg
}

// exact is n even readings of the rise about the top.
func exact(g crank.Geometry, n int) (x, y []float64) {
	const reach = 1.5 * parabolaHalfDeg
	x, y = make([]float64, n), make([]float64, n)
	c := g.Curve()
	for i := range x {
		x[i] = reach * (2*float64(i)/float64(n-1) - 1)
		y[i], _, _, _ = c.At(x[i])
	}
	return x, y
}

// firstTop guesses a sweep's top from readings in any order: the highest
// running median of five, then a parabola about it. It fails with errUpsideDown
// where the lowest point lies inside instead, with errOutside where none does.
func firstTop(x, y []float64) (Vertex, error) {
	if len(x) < FewestMarks {
		return Vertex{}, errFewReadings
	}
	x, y = thinned(x, y, 80)
	n := len(x)
	xs, ys := runningMedian(x, y)
	best, worst := 0, 0
	for i, v := range ys {
		if v > ys[best] {
			best = i
		}
		if v < ys[worst] {
			worst = i
		}
	}
	span := xs[n-1] - xs[0]
	inside := func(i int) bool { return xs[i] > xs[0]+0.1*span && xs[i] < xs[n-1]-0.1*span }
	if !inside(best) {
		if inside(worst) {
			return Vertex{}, errUpsideDown
		}
		return Vertex{}, errOutside
	}
	v, err := centred(x, y, xs[best], math.Min(15, math.Max(3, 0.45*span)), 0.05)
	if err != nil {
		return v, err
	}
	if v.AngleDeg < xs[0]+1 || v.AngleDeg > xs[n-1]-1 {
		return v, errOutside
	}
	return v, nil
}

// runningMedian is y in order of x, each the median of itself and two
// neighbours either side.
func runningMedian(x, y []float64) (xs, ys []float64) {
	n := len(x)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(a, b int) bool { return x[order[a]] < x[order[b]] })
	xs, ys = make([]float64, n), make([]float64, n)
	for i, o := range order {
		lo, hi := max(0, i-2), min(n, i+3)
		var near [5]float64
		for k, q := range order[lo:hi] {
			near[k] = y[q]
		}
		xs[i], ys[i] = x[o], median(near[:hi-lo])
	}
	return xs, ys
}

// thinned keeps about most readings, evenly.
func thinned(x, y []float64, most int) (tx, ty []float64) {
	every := len(x) / most
	if every < 2 {
		return x, y
	}
	for i := 0; i < len(x); i += every {
		tx, ty = append(tx, x[i]), append(ty, y[i])
	}
	return tx, ty
}

func bounds(x []float64) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, v := range x {
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	return lo, hi
}

func ones(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return w
}
