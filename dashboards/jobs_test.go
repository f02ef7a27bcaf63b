package dashboards

import (
	"fmt"
	"net/url"
	"strings"
	"testing"

	"crownmark/fit/engine"
)

// Seen from the damper end while the reference is up: what comes 90° later
// lies 90° against the way of turning; of two on one arm the second turn's is
// the ring further out.
func TestStarLaysTheTopsAgainstTheWayOfTurning(t *testing.T) {
	e := practice(t)
	e.FiringOrder, e.CycleDeg = []int{1, 2, 3, 4}, 360
	for hand, x := range map[string]string{"clockwise": "-63", "anticlockwise": "63"} {
		e.RunningDirection = hand
		svg := string(starSVG(e))
		wellFormed(t, svg)
		if !strings.Contains(svg, `<circle class="piston" cx="`+x+`" cy="0" r="14"/><text class="piston" text-anchor="middle" x="`+x+`" y="5.88" font-size="16.8">2</text>`) {
			t.Errorf("%s: cylinder 2 is not at x = %s: %s", hand, x, svg)
		}
	}
	svg := string(starSVG(practice(t)))
	for _, want := range []string{`class="piston" text-anchor="middle" x="0" y="-43.92" font-size="16.8">1<`, `class="piston second" text-anchor="middle" x="0" y="-76.12" font-size="16.8">4<`} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %s in %s", want, svg)
		}
	}
	var many []int
	for n := range 64 {
		many = append(many, n+1)
	}
	wellFormed(t, string(starSVG(engine.Engine{FiringOrder: many})))
}

func TestJobsAreFiltered(t *testing.T) {
	stage := func(s string) *string { return &s }
	jobs := []jobDoc{
		{ID: 1, State: "open", Stage: stage("bare_block"), Tags: []string{"race", "steel"}, CustomerReference: "A & B"},
		{ID: 2, State: "closed", Stage: stage("in_car"), Tags: []string{"race"}},
		{ID: 3, State: "open", Tags: []string{}},
	}
	ids := func(q string) string {
		values, err := url.ParseQuery(q)
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, j := range filtered(jobs, values).Jobs {
			out = append(out, fmt.Sprint(j.ID))
		}
		return strings.Join(out, " ")
	}
	for q, want := range map[string]string{"": "1 2 3", "stage=bare_block": "1", "tag=race": "1 2", "tag=race&state=closed": "2", "reference=A+%26+B": "1", "tag=lost": ""} {
		if got := ids(q); got != want {
			t.Errorf("%q: %q, want %q", q, got, want)
		}
	}
	v := filtered(jobs, url.Values{"tag": {"race"}, "state": {"open"}})
	for _, f := range v.Filters {
		for _, value := range f.Values {
			if f.Name == "tag" && value.Text == "race" && (!value.On || value.Path != "/jobs?state=open") {
				t.Errorf("taking a filter out: %+v", value)
			}
			if f.Name == "stage" && value.Text == "in car" && value.Path != "/jobs?stage=in_car&state=open&tag=race" {
				t.Errorf("putting one more in: %+v", value)
			}
		}
	}
}

func TestLengthsOfAnEngineInInches(t *testing.T) {
	p, err := newPages()
	if err != nil {
		t.Fatal(err)
	}
	if got, want := p.engineLine(display{"en", "in", "system"}, practice(t)), "stroke 3.3858 in · rod 5.6496 in · pin offset −0.0315 in · fires 1-3-4-2 · runs clockwise"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := p.engineLine(display{"en", "mm", "system"}, practice(t)), "stroke 86 mm · rod 143.5 mm · pin offset −0.8 mm · fires 1-3-4-2 · runs clockwise"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
