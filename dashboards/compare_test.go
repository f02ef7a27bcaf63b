package dashboards

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/store"
)

// rack is a Store of several jobs in memory.
type rack struct {
	Store  // nil: every other method panics
	jobs   []store.Job
	sweeps []store.Sweep
	inputs map[int64]fit.Input
}

// add takes a job in; its sweeps' numbers go on.
func (k *rack) add(name string, in fit.Input) {
	id := int64(len(k.jobs) + 1)
	began := time.Date(2026, 11, 20, 9, int(id), 0, 0, time.UTC)
	k.jobs = append(k.jobs, store.Job{ID: id, Name: name, State: "open", Engine: in.Engine, Revision: 1, DirectionSign: 1, Simulated: in.Simulated, CreatedAt: began})
	in.Sweeps = slices.Clone(in.Sweeps)
	for i := range in.Sweeps {
		w := &in.Sweeps[i]
		w.ID = int64(len(k.sweeps) + 1)
		direction := 1
		if n := len(w.Encoder.V); w.Encoder.V[n-1] < w.Encoder.V[0] || i%2 == 1 {
			direction = -1
		}
		k.sweeps = append(k.sweeps, store.Sweep{ID: w.ID, Job: id, Cylinder: w.Cylinder, Indicator: w.Indicator, State: store.SweepComplete, Direction: direction,
			Mount: w.Mount, Setup: w.Setup, Zeroing: w.Zeroing, Simulated: in.Simulated, Readings: int64(len(w.Height.T)), StartedAt: began, EndedAt: &began})
	}
	if k.inputs == nil {
		k.inputs = map[int64]fit.Input{}
	}
	k.inputs[id] = in
}

func (k *rack) Job(_ context.Context, id int64) (store.Job, error) {
	if id < 1 || id > int64(len(k.jobs)) {
		return store.Job{}, store.ErrNotFound
	}
	return k.jobs[id-1], nil
}

func (k *rack) Jobs(_ context.Context, p store.Page) ([]store.Job, *int64, error) {
	return k.jobs, nil, nil
}

func (k *rack) Sweeps(_ context.Context, job int64, _ store.Page) (out []store.Sweep, _ *int64, _ error) {
	for _, w := range k.sweeps {
		if w.Job == job {
			out = append(out, w)
		}
	}
	return out, nil, nil
}

func (k *rack) Sweep(_ context.Context, id int64) (store.Sweep, error) {
	if id < 1 || id > int64(len(k.sweeps)) {
		return store.Sweep{}, store.ErrNotFound
	}
	return k.sweeps[id-1], nil
}

func (k *rack) Input(_ context.Context, job int64) (fit.Input, string, error) {
	return k.inputs[job], "7", nil
}
func (k *rack) Revision(context.Context, int64) (string, error) { return "7", nil }
func (k *rack) Stats() store.Stats                              { return store.Stats{HeadHash: "5e1c90ab"} }

// groundBy is one engine before and after one throw was moved by so much: the
// same bench otherwise, mounted anew, turned by another hand.
func groundBy(t testing.TB, seed uint64, cylinder int, deg float64) *rack {
	t.Helper()
	e := practice(t)
	truth := truthOf(e, seed)
	k := &rack{}
	k.add("before grinding", sweptOn(t, e, truth, virtual.DefaultPlan()))
	truth.Seed, truth.Encoder.OffsetDeg = seed+1000, math.Mod(truth.Encoder.OffsetDeg+77, 360)
	truth.Cylinders = slices.Clone(truth.Cylinders)
	for i := range truth.Cylinders {
		if truth.Cylinders[i].Number == cylinder {
			truth.Cylinders[i].ThrowErrorDeg += deg
		}
	}
	k.add("after grinding", sweptOn(t, e, virtual.Derive(truth), virtual.DefaultPlan()))
	return k
}

func serverOver(t testing.TB, k Store) *Server {
	t.Helper()
	s, err := New(Options{Store: k, Bench: benchAt(0, nil), Software: "crownmark test"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// asks gets a path and holds JSON against the description.
func asks(t testing.TB, s *Server, path string) *httptest.ResponseRecorder {
	t.Helper()
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost"+path, nil))
	if !strings.Contains(rec.Header().Get("Content-Type"), "json") {
		return rec
	}
	var v any
	if err := json.Unmarshal(rec.Body.Bytes(), &v); err != nil {
		t.Fatal(err)
	}
	bare, _, _ := strings.Cut(path, "?")
	spec := readSpec(t)
	schema, ok := spec.answer("GET", bare, rec.Code, rec.Header().Get("Content-Type"))
	if !ok {
		t.Fatalf("%s: %d is not described", bare, rec.Code)
	}
	for _, fault := range spec.check(schema, v, "") {
		t.Errorf("%s: %s", path, fault)
	}
	return rec
}

// told is the part of the answer that the tests read.
type toldCompare struct {
	On   string
	Grid struct {
		From_deg, Step_deg float64
		Points             int
	}
	Curves []struct {
		Letter                                               string
		Sweep, Job                                           int64
		Cylinder, Direction                                  int
		Not_drawn                                            *string
		Against                                              *int64
		Own_top_deg, Gap_deg                                 float64
		X_deg, Height_mm, Residual_mm                        []float64
		Left_out                                             []int
		Grid_height_mm, Grid_residual_mm, Grid_difference_mm []*float64
	}
	Pairs []struct {
		Job, Reference_job           int64
		Cylinder, Reference_cylinder int
		Why                          string
		Rows                         []quantity
	}
}

func compareTold(t testing.TB, s *Server, query string) (c toldCompare) {
	t.Helper()
	rec := asks(t, s, "/api/v1/compare?"+query)
	if rec.Code != 200 {
		t.Fatalf("%d %s", rec.Code, rec.Body)
	}
	if err := json.Unmarshal(rec.Body.Bytes(), &c); err != nil {
		t.Fatal(err)
	}
	return c
}

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

func TestCompareCSV(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	rec := asks(t, s, "/api/v1/compare.csv?sweeps=1,3&ref=1")
	rows, err := csv.NewReader(rec.Body).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], ","); got != "sweep,job,cylinder,direction,on,angle_deg,height_mm,residual_mm,difference_mm,against_sweep,simulated" {
		t.Error(got)
	}
	heights := map[string]map[string]float64{"1": {}, "3": {}}
	differences := 0
	for _, r := range rows[1:] {
		heights[r[0]][r[5]], err = strconv.ParseFloat(r[6], 64)
		if err != nil || r[10] != "true" || r[4] != "top" || (r[0] == "1") != (r[9] == "") {
			t.Fatalf("%v %v", r, err)
		}
		if r[8] == "" {
			continue
		}
		differences++
		d, err := strconv.ParseFloat(r[8], 64)
		if other, ok := heights["1"][r[5]]; err != nil || !ok || math.Abs(d-(heights["3"][r[5]]-other)) > 2.1e-5 {
			t.Fatalf("%v: the other is %g", r, other)
		}
	}
	if differences < 100 {
		t.Errorf("%d differences", differences)
	}
}

func TestCompareSVG(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	rec := asks(t, s, "/api/v1/compare.svg?jobs=1,2&from=-5&to=5")
	svg := rec.Body.String()
	wellFormed(t, svg)
	for _, want := range []string{"<style>", "SIMULATED", "before grinding · after grinding", ">A<", "degrees after its own top", "less "} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %q", want)
		}
	}
	if n := strings.Count(svg, `class="cut`); n < 3*8 {
		t.Errorf("%d curves", n)
	}
}

// What cannot be compared is refused with where and what to do.
func TestCompareRefuses(t *testing.T) {
	s := serverOver(t, groundBy(t, 11, 3, 0.3))
	for query, want := range map[string]string{
		"":                                  "422 ?sweeps",
		"sweeps=1,x":                        "422 ?sweeps",
		"sweeps=0":                          "422 ?sweeps",
		"sweeps=1&sweeps=2":                 "422 ?sweeps",
		"sweeps=1&jobs=1":                   "422 ?jobs",
		"sweeps=1,2&ref=3":                  "422 ?ref",
		"jobs=1&ref=12345":                  "422 ?ref",
		"sweeps=1&on=bottom":                "422 ?on",
		"sweeps=1&from=a":                   "422 ?from",
		"sweeps=1&from=3&to=2":              "422 ?from",
		"sweeps=1&color=red":                "422 ?color",
		"sweeps=999":                        "404 ",
		"jobs=9":                            "404 ",
		"sweeps=" + manyIDs(mostCompared+1): "422 ?sweeps",
	} {
		rec := asks(t, s, "/api/v1/compare?"+query)
		var p Problem
		if err := json.Unmarshal(rec.Body.Bytes(), &p); err != nil {
			t.Fatal(err)
		}
		pointer := ""
		if len(p.Errors) > 0 {
			pointer = p.Errors[0].Pointer
		}
		if got := fmt.Sprintf("%d %s", rec.Code, pointer); got != want {
			t.Errorf("%q: %s, want %s: %s", query, got, want, rec.Body)
		}
		if query != "" { // the page tells the same and keeps its chooser
			page := asks(t, s, "/compare?"+query)
			if page.Code != p.Status || !strings.Contains(page.Body.String(), `id="chooser"`) {
				t.Errorf("page of %q: %d", query, page.Code)
			}
		}
	}
}

func manyIDs(n int) string {
	ids := make([]int64, n)
	for i := range ids {
		ids[i] = int64(i + 1)
	}
	return joined(ids)
}

// A sweep that serves no fit stays in the list, with why.
func TestWhatCannotBeDrawnIsTold(t *testing.T) {
	k := groundBy(t, 11, 3, 0.3)
	k.sweeps[2].SetAside = true
	in := k.inputs[1]
	in.Sweeps = slices.Delete(slices.Clone(in.Sweeps), 2, 3)
	in.DirectionConfirmed = false
	k.inputs[1] = in
	s := serverOver(t, k)
	c := compareTold(t, s, "sweeps=1,3,4")
	if c.Curves[1].Not_drawn == nil || *c.Curves[1].Not_drawn != "set aside" || c.Curves[0].Not_drawn != nil {
		t.Errorf("%+v", c.Curves[1].Not_drawn)
	}
	c = compareTold(t, s, "sweeps=1,4&on=nominal")
	if c.Curves[1].Not_drawn == nil || !strings.Contains(*c.Curves[1].Not_drawn, "running direction not confirmed") {
		t.Errorf("%v", c.Curves[1].Not_drawn)
	}
	for _, q := range c.Pairs[0].Rows[:2] {
		if q.Significant != nil || q.Why != "running direction not confirmed" {
			t.Errorf("%+v", q)
		}
	}
}

func TestLettersAndAddresses(t *testing.T) {
	for i, want := range map[int]string{0: "A", 25: "Z", 26: "AA", 51: "AZ", 52: "BA"} {
		if got := letter(i); got != want {
			t.Errorf("%d: %s", i, got)
		}
	}
	from, to := -5.5, 12.0
	c := asked{Sweeps: []int64{12, 14, 31}, On: onNominal, Ref: 12, From: &from, To: &to}
	if got := c.Page(); got != "/compare?sweeps=12,14,31&on=nominal&ref=12&from=-5.5&to=12" {
		t.Error(got)
	}
	if got := (asked{On: onTop}).Page(); got != "/compare" {
		t.Error(got)
	}
	for v, want := range map[float64]string{0: "0", -0.0000001: "0", 1.5: "1.5", -12.34567: "-12.34567", 100: "100", math.NaN(): "null"} {
		if got := string(appendShort(nil, v, 5)); got != want {
			t.Errorf("%g: %s", v, got)
		}
	}
}

// Every link of the chooser takes in or out what it names.
func TestTogglesOfTheChooser(t *testing.T) {
	k := groundBy(t, 11, 3, 0.3)
	v := compareView{Asked: asked{Sweeps: []int64{1, 3, 4}, On: onTop, Ref: 3}, Comparison: &comparison{}}
	for _, id := range v.Asked.Sweeps {
		v.Comparison.Curves = append(v.Comparison.Curves, comparedCurve{Sweep: k.sweeps[id-1]})
	}
	for ids, want := range map[*[]int64]string{
		{1}:       "true /compare?sweeps=3,4&ref=3",
		{3, 4}:    "true /compare?sweeps=1",
		{4, 5}:    "mixed /compare?sweeps=1,3,4,5&ref=3",
		{7}:       "false /compare?sweeps=1,3,4,7&ref=3",
		{1, 3, 4}: "true /compare",
	} {
		l := v.toggle("x", "x", *ids...)
		if got := l.Checked + " " + l.URL; got != want {
			t.Errorf("%v: %s, want %s", *ids, got, want)
		}
	}
}

// Before and after: what a job follows comes first, then the customer's
// reference, then an engine alike; after grinding stands first.
func TestBeforeAndAfterAreFound(t *testing.T) {
	e := practice(t)
	other := e
	other.StrokeMM = 90
	jobs := []store.Job{{ID: 6, Engine: other}, {ID: 5, Engine: e, Follows: 1}, {ID: 4, Engine: e, CustomerReference: "K 7", Stage: store.StageAfterGrinding}, {ID: 3, Engine: e}, {ID: 2, Engine: e, CustomerReference: "K 7"}, {ID: 1, Engine: e}}
	var got []string
	for _, g := range grinds(jobs) {
		got = append(got, g.URL)
	}
	if want := []string{"/compare?jobs=2,4", "/compare?jobs=1,5", "/compare?jobs=2,3", "/compare?jobs=1,2"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
