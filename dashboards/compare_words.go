package dashboards

import (
	"fmt"
	"math"
	"strings"

	"crownmark/fit"
)

// Significance is a difference's verdict in a word, with its shape.
func (q quantity) Significance() string {
	switch {
	case q.Significant == nil:
		return "not judged"
	case *q.Significant:
		return "significant"
	}
	return "within its doubt"
}

// Sign names the shape of it: a disc for significant, a ring for within its
// doubt, a dash for not judged.
func (q quantity) Sign() string {
	switch {
	case q.Significant == nil:
		return "dash"
	case *q.Significant:
		return "disc"
	}
	return "ring"
}

// Text is a figure with its doubt, as its unit is printed. Lengths are the
// page's business.
func (q quantity) Text(v, u95 *float64) string {
	switch {
	case v == nil:
		return "—"
	case q.signed() && *v == 0 && u95 != nil && *u95 == 0:
		return "0°" // the reference, by definition
	case q.Unit == "deg" && q.signed():
		return withDoubt(v, u95)
	case q.Unit == "deg":
		return topText(v, u95)
	case u95 != nil:
		return strings.TrimPrefix(fit.WithDoubt(v, u95), "+")
	}
	return signed(*v, 4)
}

func (q quantity) signed() bool { return q.Name == "index_error" || q.Name == "throw_error" }

// Apart is the difference with its doubt.
func (q quantity) Apart() string {
	switch {
	case q.Difference == nil:
		return "—"
	case q.Unit == "deg" && q.Name != "top":
		return withDoubt(q.Difference, q.DifferenceU)
	case q.Name == "scale":
		return fit.WithDoubt(q.Difference, q.DifferenceU)
	}
	return q.Text(q.Difference, q.DifferenceU)
}

// By says how the difference's doubt was formed.
func (q quantity) By() string {
	switch q.DoubtBy {
	case byJointFit:
		return "joint fit"
	case bySquares:
		return "root sum of squares"
	}
	return ""
}

// GridRule is how curves come to one grid.
func (compareView) GridRule() string { return gridRule }

// Later says whether the top comes later than that of the other.
func (p pairRow) Later() bool { return deref(p.Index.Difference) > 0 }

// SameCylinder: the same one of two jobs.
func (p pairRow) SameCylinder() bool { return p.Cylinder == p.RefCylinder }

// Size is how much, without its sign.
func (p pairRow) Size() string {
	v := math.Abs(deref(p.Index.Difference))
	return topText(&v, p.Index.DifferenceU)
}

func (p pairRow) Own() string { return fmt.Sprint(p.Cylinder) }

func (p pairRow) Ref() string { return fmt.Sprint(p.RefCylinder) }
