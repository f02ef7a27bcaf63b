package dashboards

import (
	"context"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/store"
)

const (
	aHead  = `{"record":{"kind":"head","name":"head","certificate_number":"K-1","u95_mm":0.001,"due_at":"2040-01-01T00:00:00Z"}}`
	aBlock = `{"record":{"kind":"blocks","name":"blocks","certificate_number":"K-2","u95_mm":0.0002,"due_at":"2040-01-01T00:00:00Z"}}`
	aDial  = `{"record":{"kind":"indicator","name":"shelf dial","range_mm":10,"resolution_mm":0.01}}`
)

// standAPI is handAPI with a head, blocks, a dial that is typed and the one on
// the bench in the register: 1 to 4.
func standAPI(t *testing.T) *api {
	a := handAPI(t)
	for _, r := range []string{aHead, aBlock, aDial, leftDial} {
		a.want(201, a.call("POST", "/api/v1/instruments", r))
	}
	return a
}

// stand is a value within the answer's stand.
func stand(r reply, key string) any { return at(r.doc, "stand", key) }

// elem is an object of one of the answer's lists; empty: there is none.
func elem(r reply, list string, i int) map[string]any {
	if all, ok := r.doc[list].([]any); ok && i < len(all) {
		return all[i].(map[string]any)
	}
	return nil
}

// A whole run of a typed dial; what is answered is what is described.
func TestCalibrationTyped(t *testing.T) {
	a := standAPI(t)
	const begin = `{"instrument":3,"reference":1,"points_mm":[0,5],"repeats":1,"conditions":{"temperature_c":20.5,"measured_by":"A"}}`
	r := a.want(201, a.call("POST", "/api/v1/calibrations", begin, "Idempotency-Key", "k"))
	if r.head.Get("Location") != "/api/v1/calibrations/1" || stand(r, "state") != "press" || stand(r, "points") != 5.0 || stand(r, "take") != "call" ||
		at(r.doc, "plan", "scheme") != "own" || at(r.doc, "conditions", "temperature_c") != 20.5 {
		t.Errorf("begun: %s", r.body)
	}
	if again := a.want(201, a.call("POST", "/api/v1/calibrations", begin, "Idempotency-Key", "k")); again.doc["id"] != 1.0 || again.head.Get("Idempotency-Replayed") != "true" {
		t.Errorf("bounced: %s", again.body)
	}
	if r := a.want(409, a.call("POST", "/api/v1/calibrations", begin)); !strings.HasSuffix(r.doc["type"].(string), "stand-busy") {
		t.Errorf("another: %s", r.body)
	}
	if r := a.want(200, a.call("GET", "/api/v1/bench", "")); at(r.doc, "calibration", "calibration") != 1.0 {
		t.Errorf("bench: %s", r.body)
	}
	a.want(201, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"0,00"}`))
	a.want(422, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"five"}`))
	a.want(422, a.call("POST", "/api/v1/calibrations/1/readings", `{}`))
	if r := a.want(409, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"50.2"}`)); !strings.HasSuffix(r.doc["type"].(string), "not-taken-far") {
		t.Errorf("far: %s", r.body)
	}
	for range 2 {
		a.want(201, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"5.03"}`, "Idempotency-Key", "pedal"))
	}
	if r := a.want(201, a.call("POST", "/api/v1/calibrations/1/take-back", "")); stand(r, "taken") != 1.0 || elem(r, "points", 1)["taken_back"] != true {
		t.Errorf("taken back: %s", r.body)
	}
	for _, text := range []string{"5.02", "0.1972 in", "0.01"} {
		r = a.want(201, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"`+text+`"}`))
	}
	if stand(r, "state") != "turn" && stand(r, "state") != "press" || stand(r, "taken") != 4.0 {
		t.Errorf("before the last: %s", r.body)
	}
	r = a.want(201, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"0.01"}`))
	if stand(r, "state") != "complete" || stand(r, "next") != nil {
		t.Errorf("complete: %s", r.body)
	}
	a.want(409, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"0"}`))
	for range 2 {
		if r := a.want(201, a.call("POST", "/api/v1/calibrations/1/end", "{}")); r.doc["state"] != "ended" || r.doc["stand"] != nil {
			t.Errorf("ended: %s", r.body)
		}
	}
	csv := a.want(200, a.call("GET", "/api/v1/calibrations/1/points.csv", ""))
	if want := "run,direction,reference_mm,reading_mm\n1,up,0,0\n1,up,5,5.02\n1,down,5,5.0088799999999996\n1,down,0,0.01\n1,repeat,0,0.01\n"; string(csv.body) != want {
		t.Errorf("points:\n%s", csv.body)
	}
	for _, what := range []string{"readings", "take-back", "resume"} {
		if r := a.want(409, a.call("POST", "/api/v1/calibrations/1/"+what, "{}")); !strings.HasSuffix(r.doc["type"].(string), "calibration-ended") {
			t.Errorf("%s after the end: %s", what, r.body)
		}
		a.want(404, a.call("POST", "/api/v1/calibrations/77/"+what, "{}"))
	}
}

// What cannot be begun leaves nothing running.
func TestCalibrationNotBegun(t *testing.T) {
	a := standAPI(t)
	for _, c := range []struct {
		body    string
		status  int
		pointer string
	}{
		{`{"points_mm":[0,1]}`, 422, "/instrument"}, {`{"instrument":99,"points_mm":[0,1]}`, 422, "/instrument"},
		{`{"instrument":3,"reference":99,"points_mm":[0,1]}`, 422, "/reference"}, {`{"instrument":3,"kind":"look","points_mm":[0,1]}`, 422, "/kind"},
		{`{"instrument":3,"scheme":"none"}`, 422, "/scheme"}, {`{"instrument":3,"kind":"check"}`, 422, "/points_mm"},
		{`{"instrument":3,"points":[{"run":1,"direction":"in","reference_mm":1}]}`, 422, "/points"},
		{`{"instrument":3,"points_mm":[0,1],"steady_s":0.01}`, 422, "/steady_s"}, {`{"instrument":3,"points_mm":[0,1],"take":"often"}`, 422, "/take"},
		{`{"instrument":3,"points_mm":[0,1],"conditions":{"temperature_c":205}}`, 422, "/conditions/temperature_c"},
		{`{"instrument":3,"points_mm":[0,1],"indicator":"right"}`, 422, "/indicator"}, {`{"instrument":1,"points_mm":[0,1]}`, 422, ""},
	} {
		r := a.want(c.status, a.call("POST", "/api/v1/calibrations", c.body))
		if c.pointer != "" && elem(r, "errors", 0)["pointer"] != c.pointer {
			t.Errorf("%s: %s, want %s", c.body, r.body, c.pointer)
		}
	}
	a.bench.set(func(n *acquire.Snapshot) { n.Indicators[0].Identity = "usb-7" })
	a.want(200, a.call("PATCH", "/api/v1/instruments/4", `{"record":{"identity":"usb-8"}}`))
	a.want(409, a.call("POST", "/api/v1/calibrations", `{"instrument":4,"points_mm":[0,1]}`))
	list, _, err := a.store.Calibrations(t.Context(), 3, store.Page{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range list {
		if c.State != store.CalibrationEnded || c.Cause != "not begun" {
			t.Errorf("left over: %+v", c)
		}
	}
	if a.bench.Snapshot().Stand != nil {
		t.Error("something runs")
	}
}

// A check on one block: the plunger is let down on it, and the display, which
// stands there, is taken by itself.
func TestCheckOnABlock(t *testing.T) {
	a := standAPI(t)
	r := a.want(201, a.call("POST", "/api/v1/calibrations", `{"instrument":4,"reference":2,"kind":"check","points_mm":[-1.25],"steady_s":0.5}`))
	if stand(r, "indicator") != "left" || stand(r, "take") != "steady" {
		t.Errorf("begun: %s", r.body)
	}
	until(t, func() bool {
		n := a.bench.Snapshot().Stand
		return n != nil && n.State == acquire.StandComplete && n.Stored == 1
	})
	running, _ := get(t, a.srv.URL+"/register/4")
	shows(t, running, "Being checked now Check")
	a.want(201, a.call("POST", "/api/v1/calibrations/1/end", ""))
	if r := a.want(200, a.call("GET", "/api/v1/instruments/4/checks", "")); elem(r, "items", 0)["raw"] != "-1.260" {
		t.Errorf("checks: %s", r.body)
	}
}

// until waits for something that happens by itself.
func until(t *testing.T, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for tick := time.NewTicker(10 * time.Millisecond); !ok(); {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal("it did not happen")
		}
	}
}

// After a restart a calibration is taken up behind the points that were kept.
func TestCalibrationResumed(t *testing.T) {
	a := standAPI(t)
	a.want(201, a.call("POST", "/api/v1/calibrations", `{"instrument":3,"reference":1,"points_mm":[0,5],"repeats":-1}`))
	for _, text := range []string{"0.10", "5.13"} {
		a.want(201, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"`+text+`"}`))
	}
	a.restart()
	if r := a.want(409, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"5.1"}`)); !strings.HasSuffix(r.doc["type"].(string), "not-running") {
		t.Errorf("not resumed: %s", r.body)
	}
	for range 2 {
		if r := a.want(201, a.call("POST", "/api/v1/calibrations/1/resume", "")); stand(r, "taken") != 2.0 || at(r.doc, "stand", "next", "direction") != "down" {
			t.Errorf("resumed: %s", r.body)
		}
	}
	if r := a.want(201, a.call("POST", "/api/v1/calibrations/1/take-back", "")); stand(r, "taken") != 1.0 || elem(r, "points", 1)["taken_back"] != true {
		t.Errorf("taken back: %s", r.body)
	}
	if r := a.want(201, a.call("POST", "/api/v1/calibrations/1/readings", `{"reading":"5.12"}`)); stand(r, "taken") != 2.0 {
		t.Errorf("went on: %s", r.body)
	}
	a.restart()
	if r := a.want(201, a.call("POST", "/api/v1/calibrations/1/end", "")); r.doc["state"] != "ended" {
		t.Errorf("ended without a run: %s", r.body)
	}
}

// The live stream tells how the run stands, and what of it reached the disk.
func TestCalibrationEvents(t *testing.T) {
	a := standAPI(t)
	next := acquire.StandPoint{Run: 1, Direction: acquire.StandUp, ReferenceMM: 2}
	a.server.Publish(acquire.Event{Snapshot: &acquire.Snapshot{Stand: &acquire.StandState{Calibration: 3, State: acquire.StandTurn, Points: []acquire.StandPoint{next}, Next: &next}}})
	a.server.Publish(acquire.Event{Stand: &acquire.StandNews{Calibration: 3, What: acquire.StandTook, Stored: 1}})
	var got []string
	events, _ := a.server.hub.since(0)
	for _, e := range events {
		if e.name == "calibration" {
			got = append(got, string(e.data))
		}
	}
	if len(got) != 2 || !strings.Contains(got[0], `"next":{"run":1,"direction":"up","reference_mm":2}`) || got[1] != `{"calibration":3,"what":"taken","stored":1}` {
		t.Errorf("events %q", got)
	}
	a.server.Publish(acquire.Event{Snapshot: &acquire.Snapshot{Stand: &acquire.StandState{Calibration: 3, Refused: &acquire.StandRefusal{
		Reason: acquire.RefusedOvershot, Detail: "the display was 0.031 mm beyond and came back", Fix: "press once at each point"}}}})
	events, _ = a.server.hub.since(0)
	last := events[len(events)-1:]
	if en, de := a.server.hub.text(last, false, "en"), a.server.hub.text(last, false, "de"); !strings.Contains(en, "0.031 mm beyond and came back") ||
		!strings.Contains(de, "0.031 mm darüber hinaus") || !strings.Contains(de, `"reason":"overshot"`) {
		t.Errorf("in English %s, in German %s", en, de)
	}
}
