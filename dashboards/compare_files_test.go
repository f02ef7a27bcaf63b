package dashboards

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"crownmark/store"
)

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
