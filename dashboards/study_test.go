package dashboards

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/fit/studycsv"
	"crownmark/store"
)

func (k *rack) Reports(context.Context, int64, store.Page) ([]store.Report, *int64, error) {
	return nil, nil, nil
}

// studied are jobs on one virtual crank: each person sweeps everything twice in
// each of two mountings.
func studied(t *testing.T, people int, plan virtual.Plan) *Server {
	t.Helper()
	e := practice(t)
	truth := truthOf(e, 21)
	k := &rack{}
	for n := range people {
		truth.Seed = uint64(100 + n)
		k.add(fmt.Sprintf("Practice four, study %d", n+1), sweptOn(t, e, truth, plan))
	}
	s, err := New(Options{Store: k, Bench: benchAt(0, nil), Software: "crownmark test"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func askStudy(t *testing.T, s *Server, query string) (d studyDoc, status int) {
	t.Helper()
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost/api/v1/study"+query, nil))
	var whole any
	if err := json.Unmarshal(rec.Body.Bytes(), &whole); err != nil {
		t.Fatal(err)
	}
	sp := readSpec(t)
	if schema, ok := sp.answer("GET", "/api/v1/study", rec.Code, strings.Split(rec.Header().Get("Content-Type"), ";")[0]); !ok {
		t.Errorf("%s: %d is not described", query, rec.Code)
	} else {
		for _, fault := range sp.check(schema, whole, "") {
			t.Errorf("%s: %s", query, fault)
		}
	}
	if rec.Code == 200 {
		if err := json.Unmarshal(rec.Body.Bytes(), &d); err != nil {
			t.Fatal(err)
		}
	}
	return d, rec.Code
}

// Two people, two mountings each, two sets in each: the values are the index
// errors of their own sweeps, near the crank's own; the gauge is what the bench
// scatters by, far below the limit.
func TestStudyOfJobs(t *testing.T) {
	plan := virtual.DefaultPlan()
	plan.Repeats, plan.Remounts = 2, []float64{90}
	s := studied(t, 2, plan)
	d, status := askStudy(t, s, "?jobs=1,2")
	if status != 200 || d.Study == nil {
		t.Fatalf("%d %+v", status, d)
	}
	if j := d.Jobs[1]; j.Person != "B" || j.PersonFrom != "order" || j.Mounts != 2 || j.Sets != 4 || j.Spare == 0 {
		t.Errorf("%+v", j)
	}
	if r := d.Study; r.Parts != 3 || r.People != 2 || r.Mounts != 2 || r.Repeats != 2 || d.Unused != 0 || len(d.Values) != 24 {
		t.Errorf("%d parts, %d people, %d mountings, %d repeats, %d values", r.Parts, r.People, r.Mounts, r.Repeats, len(d.Values))
	}
	truth := truthOf(practice(t), 21)
	for _, v := range d.Values {
		for _, c := range truth.Cylinders {
			if c.Number == v.Part && math.Abs(c.IndexErrorDeg-v.ValueDeg) > 0.15 { // lash, eccentricity, one pair of sweeps
				t.Errorf("%+v: the crank has %.4f°", v, c.IndexErrorDeg)
			}
		}
	}
	if g := d.Study.GaugeDeg; !(g.Value > 1e-4 && g.Value < 0.1) || d.Study.GaugeOfTolerancePercent == nil {
		t.Errorf("gauge %+v", g)
	}
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost/api/v1/study.csv?jobs=1,2", nil))
	if file, err := studycsv.Read("study.csv", rec.Body); err != nil {
		t.Error(err)
	} else if again, err := calibrate.Study(file.Rows, calibrate.StudyOptions{}); err != nil || again.GaugeDeg.Value != d.Study.GaugeDeg.Value {
		t.Errorf("of its own file the study is another: %+v, %v", again.GaugeDeg, err)
	}
	one, _ := askStudy(t, s, "?jobs=1,2&people=Cam,Cam") // one person: the second job's mountings count on
	if r := one.Study; r.People != 1 || r.Mounts != 4 || one.Jobs[0].PersonFrom != "address" || one.Values[0].Person != "Cam" {
		t.Errorf("one person: %d people, %d mountings", r.People, r.Mounts)
	}
	three, _ := askStudy(t, s, "?jobs=1")
	if three.Study == nil || three.Study.People != 1 {
		t.Errorf("one job: %+v", three.Why)
	}
}

func TestStudyRefusesAndSaysWhy(t *testing.T) {
	s := studied(t, 1, virtual.DefaultPlan())
	if d, status := askStudy(t, s, "?jobs=1"); status != 200 || d.Study != nil || d.Why == nil || !strings.Contains(*d.Why, "measured once") {
		t.Errorf("one set: %d %+v", status, d)
	}
	for query, want := range map[string]int{"": 422, "?jobs=9": 404, "?jobs=x": 422, "?jobs=1&people=A,B": 422, "?jobs=1&person=A": 422, "?jobs=1,2,3,4,5,6,7,8,9,10,11,12,13": 422, "?jobs=1&people=" + strings.Repeat("x", 61): 422} {
		if _, status := askStudy(t, s, query); status != want {
			t.Errorf("%q: %d, want %d", query, status, want)
		}
	}
}

// What one person has more than another is left out and counted.
func TestStudyIsBalanced(t *testing.T) {
	value := func(person string, part, mount, repeat int) studyValue {
		return studyValue{Person: person, Part: part, Mount: mount, Repeat: repeat}
	}
	d := studyDoc{Values: []studyValue{value("A", 2, 1, 1), value("A", 3, 1, 1), value("A", 2, 1, 2), value("A", 3, 1, 2), value("A", 2, 2, 1), value("A", 3, 2, 1), value("B", 2, 1, 1), value("B", 3, 1, 1), value("A", 4, 1, 1)}}
	d.balance()
	used := 0
	for _, v := range d.Values {
		if v.Used {
			used++
		}
		if v.Used && (v.Mount != 1 || v.Repeat != 1 || v.Part == 4) {
			t.Errorf("%+v is used", v)
		}
	}
	if used != 4 || d.Unused != 5 {
		t.Errorf("%d used, %d not", used, d.Unused)
	}
}

func TestSetsOfSweeps(t *testing.T) {
	in := fit.Input{Engine: practice(t)}
	there, back := &fit.Series{T: []float64{0, 9}, V: []float64{0, 9}}, &fit.Series{T: []float64{0, 9}, V: []float64{9, 0}}
	add := func(cylinder, mount int, encoder *fit.Series) {
		in.Sweeps = append(in.Sweeps, fit.Sweep{ID: int64(len(in.Sweeps) + 1), Cylinder: cylinder, Mount: mount, Encoder: encoder, Height: fit.Series{T: []float64{0, 9}, V: []float64{0, 0}}})
	}
	for range 2 { // two whole sets, then a closing pair of the reference
		for _, c := range []int{1, 3} {
			add(c, 1, there)
			add(c, 1, back)
		}
	}
	add(1, 1, there)
	add(1, 1, back)
	add(3, 2, there) // a mounting without the reference
	add(3, 2, back)
	for _, c := range []int{1, 3} { // one swept forward only, one placed anew between
		add(c, 3, there)
		add(c, 3, there)
	}
	sets, spare := setsOf(in)
	var got []string
	for _, set := range sets {
		var ids []int64
		for _, w := range set.sweeps {
			ids = append(ids, w.ID)
		}
		got = append(got, fmt.Sprint(set.mount, "/", set.repeat, ids))
	}
	if want := "1/1 [1 2 3 4], 1/2 [5 6 7 8], 2/1 [13 14 15 16]"; strings.Join(got, ", ") != want {
		t.Errorf("%q, want %q", got, want)
	}
	if spare != 4 {
		t.Errorf("%d sweeps are in no set, want 4", spare)
	}
}

func TestStudyTogglesJobsWithTheirPeople(t *testing.T) {
	a := studyAsked{Jobs: []int64{3, 5}, People: []string{"A", "B & C"}}
	for job, want := range map[int64]string{3: "/study?jobs=5&people=" + url.QueryEscape("B & C"), 5: "/study?jobs=3&people=A", 7: "/study?jobs=3,5,7&people=" + url.QueryEscape("A,B & C")} {
		if got := a.toggled(job); got != want {
			t.Errorf("%d: %s, want %s", job, got, want)
		}
	}
	if got := (studyAsked{Jobs: []int64{3}}).toggled(3); got != "/study" {
		t.Errorf("the last one out: %s", got)
	}
}

// The page in both languages, with a study, without one, and with a fault.
func TestStudyPage(t *testing.T) {
	plan := virtual.DefaultPlan()
	plan.Repeats, plan.Closing = 2, false
	s := studied(t, 2, plan)
	for query, want := range map[string]string{"": "Choose jobs", "?jobs=1,2&people=A,B": "agrees within ±", "?jobs=9": "There is no such thing"} {
		rec := httptest.NewRecorder()
		s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost/study"+query, nil))
		if page := rec.Body.String(); !strings.Contains(page, want) || strings.Contains(page, "%!") {
			t.Errorf("%q: no %q in %s", query, want, page)
		}
		for _, l := range inGerman(s, germanPage(t, s, "/study"+query)) {
			t.Errorf("%q: %s", query, l)
		}
	}
	d, err := s.study(t.Context(), studyAsked{Jobs: []int64{1, 2}})
	if err != nil {
		t.Fatal(err)
	}
	wellFormed(t, string(studySVG(d, filledIn)))
}

// What a study of each kind says in words has its German.
func TestStudyWordsInGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]bool{}
	for _, n := range [][4]int{{2, 1, 1, 2}, {2, 2, 1, 2}, {2, 2, 2, 1}, {2, 2, 2, 2}} {
		var rows []calibrate.StudyRow
		for i := range n[0] * n[1] * n[2] * n[3] {
			k := i / n[3]
			rows = append(rows, calibrate.StudyRow{Part: fmt.Sprint(k / n[2] / n[1]), Person: fmt.Sprint(k / n[2] % n[1]), Mount: fmt.Sprint(k % n[2]), Repeat: fmt.Sprint(i % n[3]), ValueDeg: float64(i * i % 7)})
		}
		study, err := calibrate.Study(rows, calibrate.StudyOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range append(study.Notes, study.Rule) {
			said[text] = true
			lacking(t, c, "study", text)
		}
		for _, source := range study.Components {
			lacking(t, c, "study", studySource(source.Source))
		}
	}
	lacking(t, c, "study", stagesDiffer)
	if len(said) < 6 {
		t.Errorf("only %d texts were said: %v", len(said), said)
	}
}
