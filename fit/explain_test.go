package fit

import (
	"slices"
	"strings"
	"testing"
)

// By hand: 0.003² and 0.004² are 36 % and 64 % of 0.005²; 1e-5² is no part of it.
func TestBudgetWords(t *testing.T) {
	got := BudgetWords([]Share{{"mounting", "0.02°", "declared", 0.004}, {"play", "0.1 mm", "assumed", 0.003}, {"rod", "1 mm", "assumed", 1e-5}})
	want := []string{"mounting: 64 % of the variance, 0.004° standard (0.02°; declared)", "play: 36 % of the variance, 0.003° standard (0.1 mm; assumed)", "1 more, each under 0.05 %"}
	if !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	if got := BudgetWords([]Share{{Source: "nothing"}}); len(got) != 1 || strings.Contains(got[0], "NaN") {
		t.Errorf("no doubt at all: %q", got)
	}
}

func TestExplainTellsTheWholeJob(t *testing.T) {
	s := newSynth()
	ix := solve(t, s.input(append(s.both(1, 1, 1), s.sweep(1, 1, 1, 140, 215, 6)), s.both(3, 1, 2), s.both(1, 1, 5)))
	lines := Explain(ix)
	text := strings.Join(lines, "\n")
	at := -1
	for _, want := range []string{"Practice four, compared with cylinder 1", "Cylinder 1, the reference, has its top at 73.", "stroke of ",
		"Cylinder 2 has no top yet: not_swept", "Cylinder 3 reaches its top 1.", "° late.", "outside the limit of ±0.5°", "% of the variance",
		"A parabola through the dwell puts", "they agree within", "A chord between", "The bench itself:", `Indicator "left" speaks`, "a lash of 0.1", "Closure ", "To do next:", ix.Advice[0]} {
		i := strings.Index(text[at+1:], want)
		if i < 0 {
			t.Fatalf("%q is not told in its place:\n%s", want, text)
		}
		at += 1 + i
	}
	c := cylinderOf(ix, 3)
	if !strings.Contains(text, WithDoubt(c.IndexErrorDeg, c.IndexU95Deg)[1:]+"° late") || strings.Contains(text, "NaN") || strings.Contains(text, "SIMULATED") {
		t.Error(text)
	}
}

func TestExplainWithoutAResult(t *testing.T) {
	in := newSynth().input()
	in.Simulated = true
	text := strings.Join(Explain(solve(t, in)), "\n")
	for _, want := range []string{"SIMULATED", "No result: no sweep that can be fitted yet.", "Cylinder 4 has no top yet", "Closure not made"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not told:\n%s", want, text)
		}
	}
}

func TestExplainSaysEarlyAndOnTime(t *testing.T) {
	for _, c := range []struct {
		err  float64
		want string
	}{{-0.5, "Cylinder 2 reaches its top 0.50 ± 0.10° early."}, {0.05, "Cylinder 2 is on time within its doubt: index error +0.05 ± 0.10°."}} {
		top, u := 10.0, 0.1
		if got := headline(Index{ReferenceCylinder: 1}, Cylinder{Number: 2, TDCDeg: &top, IndexErrorDeg: &c.err, IndexU95Deg: &u}); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// A top far from the crank model's is called so.
func TestExplainSaysWhereMethodsDiffer(t *testing.T) {
	top, off, u := 10.0, 10.5, 0.1
	got := explainBeside(Cylinder{TDCDeg: &top, ParabolaTDCDeg: &off, ParabolaU95Deg: &u})
	if len(got) != 1 || !strings.Contains(got[0], "0.50 ± 0.10° after the crank model's: they differ beyond that doubt") {
		t.Errorf("%q", got)
	}
	off = 359.9 // across the turn
	got = explainBeside(Cylinder{TDCDeg: new(float64), ChordTDCDeg: &off, ChordU95Deg: &u})
	if len(got) != 1 || !strings.Contains(got[0], "0.10 ± 0.10° before") {
		t.Errorf("%q", got)
	}
}
