package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// linear is a linear least-squares solution.
type linear struct {
	coef []float64
	cov  *mat.SymDense // of the coefficients
	sd   float64       // of the residuals, n − p degrees of freedom
	cond float64       // of the design matrix, its columns of unit length
}

var errSingular = errors.New("the readings do not determine the curve")

// leastSquares solves y ≈ X·β by Householder QR, X of p columns given by rows
// and not kept. Columns are brought to unit length first, and the solution is
// improved once by its own residuals. free are the degrees of freedom behind the
// residuals' scatter (n − p where every row counts fully); the covariance is
// s²·(RᵀR)⁻¹. It fails where rows are fewer than columns or X has no full rank.
func leastSquares(rows []float64, p int, y []float64, free float64) (linear, error) {
	n := len(y)
	if n < p || len(rows) != n*p {
		return linear{}, errFewReadings
	}
	length := make([]float64, p)
	if !unitColumns(rows, length) {
		return linear{}, errSingular
	}
	x, b := mat.NewDense(n, p, rows), mat.NewVecDense(n, y)
	var qr mat.QR
	qr.Factorize(x)
	out := linear{coef: make([]float64, p), cond: qr.Cond()}
	var beta, more, fitted, res mat.VecDense
	if err := qr.SolveVecTo(&beta, false, b); err != nil {
		if math.IsInf(out.cond, 1) || math.IsNaN(out.cond) {
			return linear{}, errSingular
		}
	}
	fitted.MulVec(x, &beta)
	res.SubVec(b, &fitted)
	if err := qr.SolveVecTo(&more, false, &res); err == nil {
		beta.AddVec(&beta, &more)
		fitted.MulVec(x, &beta)
		res.SubVec(b, &fitted)
	}
	s2 := 0.0
	if free > 0 {
		s2 = mat.Dot(&res, &res) / free
	}
	out.sd = math.Sqrt(s2)
	out.cov = covariance(&qr, length, s2)
	for i := range out.coef {
		out.coef[i] = beta.AtVec(i) / length[i]
	}
	return out, nil
}

// unitColumns brings columns given by rows to unit length and notes the lengths
// they had (zeroed before); false where one is nothing or no number.
func unitColumns(rows, length []float64) bool {
	p := len(length)
	for i, v := range rows {
		length[i%p] = math.Hypot(length[i%p], v)
	}
	for _, l := range length {
		if !(l > 0) || math.IsInf(l, 1) {
			return false
		}
	}
	for i := range rows {
		rows[i] /= length[i%p]
	}
	return true
}

// covariance is s²·(RᵀR)⁻¹ of a factorised matrix, its columns' lengths given back.
func covariance(qr *mat.QR, length []float64, s2 float64) *mat.SymDense {
	p := len(length)
	var r mat.Dense
	qr.RTo(&r)
	top := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			top.SetTri(i, j, r.At(i, j))
		}
	}
	var inv mat.TriDense
	cov := mat.NewSymDense(p, nil)
	if err := inv.InverseTri(top); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) { // badly conditioned, yet the best there is
			return cov
		}
	}
	for i := range p {
		for j := i; j < p; j++ {
			sum := 0.0
			for k := j; k < p; k++ {
				sum += inv.At(i, k) * inv.At(j, k)
			}
			cov.SetSym(i, j, s2*sum/length[i]/length[j])
		}
	}
	return cov
}
