package calibrate

import "math"

// Sources of a study, English for people.
const (
	ofPart      = "part"
	ofPerson    = "person"
	ofMount     = "mounting"
	ofPartBy    = "part × person"
	ofPartMount = "part × mounting"
	ofRepeat    = "repeat"
)

// terms of the analysis, in the order of anova.
const (
	tPart = iota
	tPerson
	tMount
	tPartBy
	tPartMount
	tRepeat
	nTerms
)

// term is one source's sum of squares.
type studyTerm struct {
	source  string
	squares float64
	dof     int
}

func (t studyTerm) mean() float64 {
	if t.dof == 0 {
		return 0
	}
	return t.squares / float64(t.dof)
}

// anova splits the sum of squares of a balanced study: P, O, M(O), PO, PM(O), E
// with p−1, o−1, o(m−1), (p−1)(o−1), (p−1)·o·(m−1) and p·o·m·(r−1) degrees of freedom.
func (c *studyCells) anova() (t [nTerms]studyTerm) {
	all := c.means(false, false, false)[0]
	part, person, mount := c.means(true, false, false), c.means(false, true, false), c.means(false, true, true)
	pair, cell := c.means(true, true, false), c.means(true, true, true)
	of := func(source string, dof int, square func(p, o, m, r int) float64) studyTerm {
		s := studyTerm{source: source, dof: dof}
		for i := range c.v {
			k := i / c.r
			d := square(k/c.m/c.o, k/c.m%c.o, k%c.m, i%c.r)
			s.squares += d * d
		}
		return s
	}
	t[tPart] = of(ofPart, c.p-1, func(p, o, m, r int) float64 { return part[p] - all })
	t[tPerson] = of(ofPerson, c.o-1, func(p, o, m, r int) float64 { return person[o] - all })
	t[tMount] = of(ofMount, c.o*(c.m-1), func(p, o, m, r int) float64 { return mount[o*c.m+m] - person[o] })
	t[tPartBy] = of(ofPartBy, (c.p-1)*(c.o-1), func(p, o, m, r int) float64 {
		return pair[p*c.o+o] - part[p] - person[o] + all
	})
	t[tPartMount] = of(ofPartMount, (c.p-1)*c.o*(c.m-1), func(p, o, m, r int) float64 {
		return cell[(p*c.o+o)*c.m+m] - pair[p*c.o+o] - mount[o*c.m+m] + person[o]
	})
	t[tRepeat] = of(ofRepeat, c.p*c.o*c.m*(c.r-1), func(p, o, m, r int) float64 {
		return c.at(p, o, m, r) - cell[(p*c.o+o)*c.m+m]
	})
	return t
}

// means averages over what is not named.
func (c *studyCells) means(byPart, byPerson, byMount bool) []float64 {
	size := func(by bool, n int) int {
		if by {
			return n
		}
		return 1
	}
	p, o, m := size(byPart, c.p), size(byPerson, c.o), size(byMount, c.m)
	sum := make([]float64, p*o*m)
	share := float64(p*o*m) / float64(len(c.v))
	for i, v := range c.v {
		k := i / c.r
		sum[((k/c.m/c.o)%p*o+(k/c.m%c.o)%o)*m+(k%c.m)%m] += v * share
	}
	return sum
}

// weights say how a variance component is made of mean squares.
type weights [nTerms]float64

func (w weights) of(mean [nTerms]float64) (v float64) {
	for i := range w {
		v += w[i] * mean[i]
	}
	return v
}

// components give each term's variance component from the expected mean squares
// of the random model,
//
//	E(P) = σe² + r·σpm² + rm·σpo² + rmo·σp²    E(PO) = σe² + r·σpm² + rm·σpo²
//	E(O) = E(PO) + E(M) − E(PM) + rmp·σo²      E(PM) = σe² + r·σpm²
//	E(M) = σe² + r·σpm² + rp·σm²               E(E)  = σe²
//
// ok is false where the design has no freedom to tell one: its variance then is in
// the next lower one (mountings in people, repeats in part × mounting).
func (c *studyCells) components(t [nTerms]studyTerm) (w [nTerms]weights, ok [nTerms]bool) {
	p, o, m, r := float64(c.p), float64(c.o), float64(c.m), float64(c.r)
	has := func(k int) bool { return t[k].dof > 0 }
	below := func(ks ...int) int { // the first of these that there is
		for _, k := range ks {
			if has(k) {
				return k
			}
		}
		return -1
	}
	lay := func(k int, size float64, less int) {
		if ok[k] = has(k) && (less >= 0 || k == tRepeat); !ok[k] {
			return
		}
		w[k][k] = 1 / size
		if less >= 0 {
			w[k][less] -= 1 / size
		}
	}
	lay(tRepeat, 1, -1)
	lay(tPartMount, r, below(tRepeat))
	lay(tMount, r*p, below(tPartMount, tRepeat))
	lay(tPartBy, r*m, below(tPartMount, tRepeat))
	lay(tPart, r*m*o, below(tPartBy, tPartMount, tRepeat))
	lay(tPerson, r*m*p, below(tPartBy, tPartMount, tRepeat))
	if ok[tPerson] && has(tMount) { // E(M) − E(PM) is in it as well
		w[tPerson][tMount] -= 1 / (r * m * p)
		w[tPerson][below(tPartMount, tRepeat)] += 1 / (r * m * p)
	}
	if lowest := below(tRepeat, tPartMount, tPartBy); lowest >= 0 && !ok[lowest] { // with what is below it
		ok[lowest], w[lowest][lowest] = true, 1
	}
	return w, ok
}

// root is a standard deviation; of a variance below zero, 0.
func root(v float64) float64 { return math.Sqrt(math.Max(v, 0)) }
