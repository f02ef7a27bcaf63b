package dashboards

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/fit"
)

// keepsMarks makes the bench keep presses in the store, as the real one does.
func (a *api) keepsMarks() {
	at := int64(4e9)
	a.bench.keep = func(m *acquire.MarkPress) error {
		at++
		m.EncStream, m.EncSeq, m.AtNS = 1, 20, at
		_, err := a.store.Record(context.Background(), acquire.Batch{Marks: []acquire.MarkPress{*m}})
		return err
	}
}

// A press is kept with an id, told, set aside, taken back in; the index document
// counts those that were not set aside.
func TestPressesOverTheAPI(t *testing.T) {
	a := startAPI(t, func(in fit.Input) (fit.Index, error) {
		x := fit.Index{Marks: []fit.MarkError{}, Cylinders: []fit.Cylinder{}, Pins: []fit.PinResult{}, Banks: []fit.BankResult{}, Advice: []string{}, TimingLight: []fit.LightReading{}}
		x.Bench.Streams = []fit.StreamResult{}
		for _, m := range in.Marks {
			x.Marks = append(x.Marks, fit.MarkError{MarkDeg: m.MarkDeg, Presses: 1, Each: []fit.Press{{ID: m.ID, Approach: m.Approach}}})
		}
		return x, nil
	})
	a.job()
	a.sweep(1)
	a.keepsMarks()
	counted := func(want int) {
		t.Helper()
		marks := a.want(200, a.call("GET", "/api/v1/jobs/1/index", "")).doc["marks"].([]any)
		if len(marks) != want {
			t.Errorf("%d presses count, want %d", len(marks), want)
		}
	}
	for i := 1; i <= 3; i++ {
		made := a.want(201, a.call("POST", "/api/v1/bench/marks", `{"job":1,"mark_deg":-5}`, "Idempotency-Key", fmt.Sprint(i)))
		if made.doc["id"] != float64(i) || made.head.Get("Location") != fmt.Sprintf("/api/v1/marks/%d", i) {
			t.Errorf("press %d: %s at %s", i, made.body, made.head.Get("Location"))
		}
	}
	again := a.want(201, a.call("POST", "/api/v1/bench/marks", `{"job":1,"mark_deg":-5}`, "Idempotency-Key", "3"))
	if again.doc["id"] != 3.0 {
		t.Errorf("the same key again: %s", again.body)
	}
	counted(3)
	for range 2 { // a second time changes nothing
		gone := a.want(200, a.call("DELETE", "/api/v1/marks/3?reason=bounced", ""))
		if gone.doc["set_aside"] != true || gone.doc["reason"] != "bounced" {
			t.Errorf("%s", gone.body)
		}
	}
	counted(2)
	list := a.want(200, a.call("GET", "/api/v1/jobs/1/marks?limit=2&after=1", ""))
	if items := list.doc["items"].([]any); len(items) != 2 || items[1].(map[string]any)["set_aside"] != true || list.doc["next"] != nil {
		t.Errorf("%s", list.body)
	}
	if back := a.want(200, a.call("PATCH", "/api/v1/marks/3", `{"set_aside":false}`)); back.doc["set_aside"] != false || back.doc["reason"] != "" {
		t.Errorf("%s", back.body)
	}
	a.want(200, a.call("PATCH", "/api/v1/marks/2", `{"set_aside":true,"reason":"slipped"}`))
	counted(2)
	if one := a.want(200, a.call("GET", "/api/v1/marks/2", "")); one.doc["reason"] != "slipped" {
		t.Errorf("%s", one.body)
	}
	if r := a.want(422, a.call("PATCH", "/api/v1/marks/3", `{}`)); strings.Join(r.pointers(), " ") != "/set_aside" {
		t.Errorf("%s", r.body)
	}
	if r := a.want(422, a.call("DELETE", "/api/v1/marks/3?reason="+strings.Repeat("x", 501), "")); strings.Join(r.pointers(), " ") != "?reason" {
		t.Errorf("%s", r.body)
	}
	a.want(404, a.call("DELETE", "/api/v1/marks/9", ""))
	a.want(404, a.call("GET", "/api/v1/marks/9", ""))
	a.want(404, a.call("GET", "/api/v1/jobs/9/marks", ""))
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"state":"closed"}`))
	a.want(409, a.call("DELETE", "/api/v1/marks/1", ""))
}
