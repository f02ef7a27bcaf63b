package fit

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"crownmark/fit/crank"
)

// The derivatives of the joint model against differences.
func TestDerivatives(t *testing.T) {
	s := newSynth()
	j := newJob(s.input(s.both(1, 1, 1), s.both(3, 1, 2)))
	j.anchor = 1
	if err := j.prepare(); err != nil {
		t.Fatal(err)
	}
	if err := j.build(true); err != nil {
		t.Fatal(err)
	}
	m := j.model
	rapid.Check(t, func(t *rapid.T) {
		for i := range m.params { // anywhere within half a prior
			if p := &m.params[i]; !math.IsInf(p.sd, 1) {
				p.val = math.Max(p.mean+p.sd*rapid.Float64Range(-0.5, 0.5).Draw(t, "z"), p.min+1e-3)
			}
		}
		p := m.passes[rapid.IntRange(0, len(m.passes)-1).Draw(t, "pass")]
		i := rapid.IntRange(20, len(p.t)-20).Draw(t, "reading")
		var d, other columns
		v := m.viewOf(p)
		_, x, _, _ := v.at(p, i, &d)
		for _, term := range p.terms {
			got := 0.0
			for _, all := range p.terms { // a parameter may move more than one column
				if all.param == term.param {
					got += all.coef * d[all.col]
				}
			}
			q := &m.params[term.param]
			step, old := 1e-5, q.val
			q.val = old + step
			v = m.viewOf(p)
			up, _, _, _ := v.at(p, i, &other)
			q.val = old - step
			v = m.viewOf(p)
			down, _, _, _ := v.at(p, i, &other)
			q.val = old
			want := (up - down) / (2 * step)
			if math.Abs(got-want) > 1e-4*math.Abs(want)+5e-6 { // the track has pieces
				t.Fatalf("reading %d at %.2f°, %q: derivative %g, by difference %g", i, x, q.source, got, want)
			}
		}
	})
}

func rises(g crank.Geometry, top, from, to float64) (x, y []float64) {
	for d := from; d <= to; d += 0.25 {
		h, _ := g.Rise(d)
		x, y = append(x, top+d), append(y, h)
	}
	return x, y
}

// The window centres itself wherever it starts, and what remains is the bias
// that the geometry predicts (0.002–0.006° for an offset pin).
func TestParabolaCentresItself(t *testing.T) {
	g, _ := crank.New(86, 143.5, -0.8)
	bias, _ := BiasesDeg(g)
	if a := math.Abs(bias); a < 0.0005 || a > 0.02 {
		t.Errorf("predicted bias %g", bias)
	}
	x, y := rises(g, 100, -30, 27)
	for _, start := range []float64{88, 97, 104, 112} {
		v, err := Parabola(x, y, start, 12)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(v.AngleDeg-100-bias) > 0.001 {
			t.Errorf("from %g: top %.5f, want %.5f", start, v.AngleDeg, 100+bias)
		}
	}
	x, y = rises(g, 100, -30, -5)
	if _, err := Parabola(x, y, 90, 12); err == nil {
		t.Error("a top outside the readings was accepted")
	}
	for i := range y {
		y[i] = math.Abs(x[i] - 85)
	}
	if _, err := firstTop(x, y); !errors.Is(err, errUpsideDown) {
		t.Errorf("a bottom: %v", err)
	}
}

// Chord's bias by geometry, D²·(r/2l)·tan θ_top: checked on the exact curve.
func TestChordBias(t *testing.T) {
	g, _ := crank.New(86, 143.5, -1.5)
	x, y := rises(g, 0, -30, 30)
	v, err := Chord(x, y, Vertex{}, 0.7, 1.2)
	if err != nil {
		t.Fatal(err)
	}
	a, _, _ := g.Series()
	if want := 2 * 0.95 / a * g.R / (2 * g.L) * math.Tan(g.TopDeg()*math.Pi/180) * 180 / math.Pi; math.Abs(v.AngleDeg-want) > 0.0005 || math.Abs(want) < 0.001 {
		t.Errorf("chord %.5f, predicted %.5f", v.AngleDeg, want)
	}
}

func TestVerdictNeedsProof(t *testing.T) {
	for _, c := range []struct {
		v, u float64
		want string
	}{{0.3, 0.1, Within}, {-0.4, 0.1, Within}, {0.45, 0.1, Undecided}, {-0.55, 0.1, Undecided}, {0.6, 0.1, Undecided}, {0.61, 0.1, Outside}, {-2, 0.1, Outside}, {0, 3, Undecided}} {
		if got := Verdict(c.v, c.u, 0.5); got != c.want {
			t.Errorf("%g ± %g: %s, want %s", c.v, c.u, got, c.want)
		}
	}
}

func TestTrimSet(t *testing.T) {
	for _, c := range []struct{ trim, u, step, want float64 }{
		{-1.498, 0.009, 0.1, -1.5}, {0.04, 0.009, 0.1, 0}, {0.06, 0.009, 0.1, 0.1}, {0.3, 0.4, 0.1, 0}, {-0.4, 0.01, 1, 0}, {-0.6, 0.01, 1, -1}, {0.37, 0.01, 0.25, 0.25},
	} {
		if got := TrimSet(c.trim, c.u, c.step); got != c.want {
			t.Errorf("trim %g ± %g in steps of %g: %g, want %g", c.trim, c.u, c.step, got, c.want)
		}
	}
}

func TestDigitsFollowTheDoubt(t *testing.T) {
	p := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		v, u float64
		want string
	}{{1.498, 0.0091, "+1.4980 ± 0.0091"}, {-0.04211, 0.012, "−0.042 ± 0.012"}, {0.8, 0.21, "+0.80 ± 0.21"}, {0.0004, 0.0996, "0.00 ± 0.10"}, {12, 3.4, "+12.0 ± 3.4"}} {
		if got := WithDoubt(p(c.v), p(c.u)); got != c.want {
			t.Errorf("%g, %g: %q, want %q", c.v, c.u, got, c.want)
		}
	}
	if got := WithDoubt(nil, nil); got != "—" {
		t.Errorf("unknown: %q", got)
	}
}

// k for few degrees of freedom: t_0.975 of 5 is 2.570581836 and of 1 is
// 12.7062047 (tables); Welch–Satterthwaite of two equal variances with 5 each: 10.
func TestExpand(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		v, dof []float64
		want   float64
	}{{[]float64{1}, []float64{5}, 2.570581836}, {[]float64{1}, []float64{1}, 12.7062047}, {[]float64{4}, []float64{inf}, 3.919927969},
		{[]float64{0.5, 0.5}, []float64{5, 5}, 2.228138852}, {nil, nil, 0}} {
		if got := Expand(c.v, c.dof); math.Abs(got-c.want) > 1e-6 {
			t.Errorf("%v with %v: %.9g, want %.9g", c.v, c.dof, got, c.want)
		}
	}
}

// Of a burst the last reading counts; disorder and what is no number do not
// disturb.
func TestCleanSeries(t *testing.T) {
	s := Series{T: []float64{3, 1, 2, 2, 2, 4, 5}, V: []float64{30, 10, 20, 21, 22, math.NaN(), 50}, Late: []int{0, 0, 0, 1, 2, 0, 0}}
	at, v := cleanSeries(s)
	for i, y := range v {
		v[i] += between([]float64{0, 100}, []float64{0, 1}, y)
	}
	if want := []float64{1, 2, 3, 5}; !slices.Equal(at, want) {
		t.Errorf("times %v, want %v", at, want)
	}
	if want := []float64{10.1, 22.22, 30.3, 50.5}; !slices.Equal(v, want) {
		t.Errorf("values %v, want %v", v, want)
	}
}

// Every flag has its cause and its cure, and no note is about a flag that is not.
func TestEveryFlagIsExplained(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "flags.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var flags, notes []string
	ast.Inspect(file, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok {
			for _, e := range v.Values {
				s, _ := strconv.Unquote(e.(*ast.BasicLit).Value)
				flags = append(flags, s)
			}
		}
		return true
	})
	for _, n := range FlagNotes() {
		notes = append(notes, n.Flag)
		if n.Cause == "" || n.Cure == "" {
			t.Errorf("%s: no cause or no cure", n.Flag)
		}
	}
	slices.Sort(flags)
	slices.Sort(notes)
	if !slices.Equal(flags, notes) {
		t.Errorf("flags %v\nnotes %v", flags, notes)
	}
}

// FLAGS.md is the notes as a page; CROWNMARK_UPDATE=1 writes it anew.
func TestFlagsPage(t *testing.T) {
	var b strings.Builder
	b.WriteString("# Flags\n\nWhat a cylinder's row in the index document may be flagged with.\n\n| flag | cause | cure |\n|---|---|---|\n")
	for _, n := range FlagNotes() {
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", n.Flag, n.Cause, n.Cure)
	}
	if os.Getenv("CROWNMARK_UPDATE") != "" {
		if err := os.WriteFile("FLAGS.md", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	page, err := os.ReadFile("FLAGS.md")
	if err != nil {
		t.Fatal(err)
	}
	if string(page) != b.String() {
		t.Error("FLAGS.md is not what FlagNotes says; run CROWNMARK_UPDATE=1 go test ./fit -run FlagsPage")
	}
}
