package dashboards

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"crownmark/fit"
	"crownmark/store"
)

// One throw moved by 0.3° and nothing else: that is what is significant, and
// by that much, within its doubt.
func TestOneThrowGroundIsAllThatDiffers(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	c := compareTold(t, s, "jobs=1,2")
	var found []string
	for _, p := range c.Pairs {
		if p.Job != 2 || p.Reference_job != 1 || p.Cylinder != p.Reference_cylinder || p.Why != "" {
			t.Errorf("pair %+v", p)
		}
		for _, q := range p.Rows {
			if q.Significant != nil && *q.Significant {
				found = append(found, fmt.Sprintf("%d %s", p.Cylinder, q.Name))
			}
			if moved := map[bool]float64{true: 0.3}[p.Cylinder == 3]; q.Name == "index_error" && q.Difference != nil && math.Abs(*q.Difference-moved) > *q.DifferenceU {
				t.Errorf("cylinder %d: %g ± %g, truth %g", p.Cylinder, *q.Difference, *q.DifferenceU, moved)
			}
			if q.Name == "peak" && (q.U95 == nil || q.RefU95 == nil) {
				t.Errorf("cylinder %d: the peak has no doubt", p.Cylinder)
			}
			if q.Name == "index_error" && p.Cylinder != 1 && math.Abs(math.Hypot(*q.U95, *q.RefU95)-*q.DifferenceU) > 1e-12 {
				t.Errorf("cylinder %d: doubts %g and %g make %g", p.Cylinder, *q.U95, *q.RefU95, *q.DifferenceU)
			}
		}
	}
	if want := []string{"3 index_error", "3 throw_error"}; len(c.Pairs) != 4 || !slices.Equal(found, want) {
		t.Errorf("%d pairs, significant %q, want %q", len(c.Pairs), found, want)
	}
	page := asks(t, s, "/compare?jobs=1,2").Body.String()
	if n := strings.Count(page, "its top comes"); n != 1 || !strings.Contains(page, "Cylinder 3: its top comes 0.") || !strings.Contains(page, "later than in “before grinding”") {
		t.Errorf("the page tells %d movements", n)
	}
	// The other way round it is earlier.
	page = asks(t, s, "/compare?jobs=2,1").Body.String()
	if !strings.Contains(page, "earlier than in “after grinding”") {
		t.Error("before and after are not swapped")
	}
}

// Over many benches what did not move passes for moved one time in twenty, and
// what moved is never missed.
func TestNothingMovedLooksMovedSeldom(t *testing.T) {
	judged, wrong, missed := 0, 0, 0
	for seed := uint64(1); seed <= 5; seed++ {
		c := compareTold(t, serverOver(t, groundBy(t, seed, 3, 0.3)), "jobs=1,2")
		for _, p := range c.Pairs {
			q := p.Rows[0]
			switch {
			case q.Significant == nil:
			case p.Cylinder == 3 && !*q.Significant:
				missed++
			case p.Cylinder != 3:
				judged++
				if *q.Significant {
					wrong++
				}
			}
		}
	}
	t.Logf("%d of %d that did not move look moved", wrong, judged)
	if judged != 10 || wrong > 2 || missed > 0 { // more than 2 of 10 at 5 %: one in 90
		t.Errorf("%d of %d look moved, %d missed", wrong, judged, missed)
	}
}

// Within a job the doubt is by the joint fit: what both cylinders share with the
// reference does not count twice.
func TestWithinAJobTheJointFitJudges(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	x, err := s.solver.index(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	second, third := x.Cylinders[slices.IndexFunc(x.Cylinders, func(c fit.Cylinder) bool { return c.Number == 2 })], x.Cylinders[slices.IndexFunc(x.Cylinders, func(c fit.Cylinder) bool { return c.Number == 3 })]
	c := compareTold(t, s, "jobs=1")
	for _, p := range c.Pairs {
		if p.Reference_cylinder != 1 || p.Rows[0].DoubtBy != byJointFit {
			t.Errorf("cylinder %d against %d, %s", p.Cylinder, p.Reference_cylinder, p.Rows[0].DoubtBy)
		}
		if p.Cylinder == 3 && (math.Abs(*p.Rows[0].Difference-*third.IndexErrorDeg) > 1e-9 || math.Abs(*p.Rows[0].DifferenceU / *third.IndexU95Deg - 1) > 0.02) {
			t.Errorf("against the reference: %g ± %g, index %g ± %g", *p.Rows[0].Difference, *p.Rows[0].DifferenceU, *third.IndexErrorDeg, *third.IndexU95Deg)
		}
	}
	// 2 and 3 come to their tops at the same place of the encoder.
	deg, u95, ok := x.Between(2, 3)
	back, same, _ := x.Between(3, 2)
	want := foldTurn(*second.IndexErrorDeg - *third.IndexErrorDeg)
	if !ok || math.Abs(deg-want) > 1e-9 || back != -deg || same != u95 || !(u95 > 0) {
		t.Errorf("2 less 3: %g ± %g %v, want %g", deg, u95, ok, want)
	}
	if squares := math.Hypot(*second.IndexU95Deg, *third.IndexU95Deg); !(u95 < squares/3) {
		t.Errorf("the joint doubt %g is not far below %g", u95, squares)
	}
	if _, _, ok := x.Between(3, 3); ok {
		t.Error("a cylinder lies apart from itself")
	}
}

// Differences are formed where both curves have something to say, from the
// sweep that ran the same way, and are what the two heights are apart.
func TestDifferencesOnOneGrid(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	c := compareTold(t, s, "jobs=1,2&on=nominal")
	letters := map[int64]int{}
	for i, curve := range c.Curves {
		letters[curve.Sweep] = i
	}
	formed := 0
	for _, curve := range c.Curves {
		if curve.Job == 1 {
			if curve.Against != nil || len(curve.Grid_difference_mm) > 0 {
				t.Errorf("%s of the first job has a difference", curve.Letter)
			}
			continue
		}
		ref := c.Curves[letters[*curve.Against]]
		if ref.Cylinder != curve.Cylinder || ref.Direction != curve.Direction || ref.Job != 1 {
			t.Errorf("%s is held against %s", curve.Letter, ref.Letter)
		}
		for n, v := range curve.Grid_difference_mm {
			own, other := curve.Grid_height_mm[n], ref.Grid_height_mm[n]
			if (v == nil) != (own == nil || other == nil) {
				t.Fatalf("%s at %d: %v of %v and %v", curve.Letter, n, v, own, other)
			}
			if v != nil {
				formed++
				if math.Abs(*v-(*own-*other)) > 2.1e-5 {
					t.Fatalf("%s at %d: %g of %g and %g", curve.Letter, n, *v, *own, *other)
				}
			}
		}
		// On the nominal top a throw that comes 0.3° later is a slope's worth higher after it.
		at := int(math.Round((15 - c.Grid.From_deg) / c.Grid.Step_deg))
		if d := curve.Grid_difference_mm[at]; curve.Cylinder == 3 && (d == nil || math.Abs(*d-0.3*0.257) > 0.02) {
			t.Errorf("%s at 15°: %v", curve.Letter, d)
		}
	}
	if formed < 1000 {
		t.Errorf("only %d differences", formed)
	}
}

// A gap wider than what is bridged stays one, and nothing is told beyond the ends.
func TestGapsStayGaps(t *testing.T) {
	c := comparedCurve{Sweep: store.Sweep{ID: 1}, Against: -1}
	for x := -10.0; x <= 10; x += 0.25 {
		if x > 2 && x < 6 {
			continue
		}
		c.XDeg, c.HeightMM, c.ResidMM, c.Used = append(c.XDeg, x), append(c.HeightMM, -0.01*x*x), append(c.ResidMM, 0), append(c.Used, x != 9)
	}
	g := grid{FromDeg: -12, StepDeg: 0.1, Points: 241}
	c.lay(g)
	for n, v := range c.laid.HeightMM {
		at := g.at(n)
		known := at > -10.05 && at < 2.05 || at > 5.95 && at < 10.05
		if known == math.IsNaN(v) {
			t.Errorf("at %.2f: %g", at, v)
		}
	}
	// Read every five degrees, three readings' distance is bridged.
	coarse := comparedCurve{Against: -1}
	for _, x := range []float64{-20, -15, -10, -5, 0, 5, 10, 15, 20, 40} {
		coarse.XDeg, coarse.HeightMM, coarse.ResidMM, coarse.Used = append(coarse.XDeg, x), append(coarse.HeightMM, 0), append(coarse.ResidMM, 0), append(coarse.Used, true)
	}
	coarse.lay(grid{FromDeg: -20, StepDeg: 0.5, Points: 121})
	if coarse.laid.GapDeg != 15 || math.IsNaN(coarse.laid.HeightMM[5]) || !math.IsNaN(coarse.laid.HeightMM[100]) {
		t.Errorf("gap %g", coarse.laid.GapDeg)
	}
}

// Between readings the crank's own curve carries: at the grid's angles a true
// crank is met far closer than straight lines would.
func TestTheCrankCarriesBetweenReadings(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	k, err := s.compare(t.Context(), asked{Jobs: []int64{1}, On: onTop})
	if err != nil {
		t.Fatal(err)
	}
	c := k.Curves[0]
	sparse := comparedCurve{crank: c.crank, Against: -1}
	for x := -20.0; x <= 20; x += 2 {
		y, _, _, _ := c.crank.At(x)
		sparse.XDeg, sparse.HeightMM, sparse.ResidMM, sparse.Used = append(sparse.XDeg, x), append(sparse.HeightMM, y), append(sparse.ResidMM, 0), append(sparse.Used, true)
	}
	g := grid{FromDeg: -20, StepDeg: 0.1, Points: 401}
	sparse.lay(g)
	for n, v := range sparse.laid.HeightMM {
		if want, _, _, _ := c.crank.At(g.at(n)); !(math.Abs(v-want) < 1e-9) {
			t.Fatalf("at %g: %g, want %g", g.at(n), v, want)
		}
	}
}
