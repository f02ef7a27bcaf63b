package dashboards

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/sweepcsv"
	"crownmark/store"
)

func TestJobs(t *testing.T) {
	a := startAPI(t, nil)
	if r := a.want(200, a.call("GET", "/api/v1/jobs", "")); string(r.body) != `{"items":[],"next":null}`+"\n" {
		t.Errorf("no jobs: %s", r.body)
	}
	r := a.want(201, a.call("POST", "/api/v1/jobs", `{"engine":`+practiceFour+`}`, "Idempotency-Key", "pedal-1"))
	if r.head.Get("Location") != "/api/v1/jobs/1" || r.doc["name"] != "Practice four" || r.doc["state"] != "open" || r.doc["direction"] != nil {
		t.Errorf("made: %s at %s", r.body, r.head.Get("Location"))
	}
	again := a.want(201, a.call("POST", "/api/v1/jobs", `{"engine":`+practiceFour+`}`, "Idempotency-Key", "pedal-1"))
	if !bytes.Equal(again.body, r.body) || again.head.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the pedal bounced: %s", again.body)
	}
	a.want(422, a.call("POST", "/api/v1/jobs", `{"name":"Another","engine":`+practiceFour+`}`, "Idempotency-Key", "pedal-1"))
	a.want(201, a.call("POST", "/api/v1/jobs", `{"name":"Second","engine":`+practiceFour+`}`))
	page := a.want(200, a.call("GET", "/api/v1/jobs?limit=1", ""))
	if page.doc["next"] == nil {
		t.Fatalf("first page: %s", page.body)
	}
	page = a.want(200, a.call("GET", fmt.Sprintf("/api/v1/jobs?limit=1&after=%v", page.doc["next"]), ""))
	if items := page.doc["items"].([]any); len(items) != 1 || items[0].(map[string]any)["name"] != "Second" || page.doc["next"] != nil {
		t.Errorf("second page: %s", page.body)
	}
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"state":"closed"}`))
	if r := a.want(200, a.call("GET", "/api/v1/jobs/1", "")); r.doc["state"] != "closed" {
		t.Errorf("closed: %s", r.body)
	}
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"state":"open"}`))
	wider := strings.Replace(practiceFour, `"index_limit_deg":0.5`, `"index_limit_deg":0.25`, 1)
	if r := a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"engine":`+wider+`}`)); r.doc["revision"] != 2.0 {
		t.Errorf("revision: %s", r.body)
	}
	a.want(404, a.call("GET", "/api/v1/jobs/99", ""))
	a.want(404, a.call("GET", "/api/v1/jobs/zero", ""))
}

func TestWhatIsWrongIsPointedAt(t *testing.T) {
	a := startAPI(t, nil)
	a.job()
	bad := strings.Replace(practiceFour, `"rod_mm":143.5`, `"rod_mm":"long"`, 1)
	for _, row := range []struct {
		method, path, body string
		status             int
		pointers           string
	}{
		{"POST", "/api/v1/jobs", `{"engine":` + bad + `}`, 422, "/engine/rod_mm"},
		{"POST", "/api/v1/jobs", `{"engine":` + practiceFour + `,"speed":1}`, 422, "/speed"},
		{"POST", "/api/v1/jobs", `{"name":"x"}`, 422, "/engine"},
		{"POST", "/api/v1/jobs", `{"name":7,"engine":` + practiceFour + `}`, 422, "/name"},
		{"POST", "/api/v1/jobs", `{"name":"a","name":"b","engine":` + practiceFour + `}`, 422, "/name"},
		{"POST", "/api/v1/jobs", `[]`, 400, ""},
		{"POST", "/api/v1/jobs", `{"name":`, 400, ""},
		{"POST", "/api/v1/jobs", `{} {}`, 400, ""},
		{"PATCH", "/api/v1/jobs/1", `{"state":"lost"}`, 422, "/state"},
		{"PATCH", "/api/v1/jobs/1", `{}`, 422, ""},
		{"PUT", "/api/v1/bench/selection", `{"job":1,"cylinders":{"left":9}}`, 422, "/cylinders/left"},
		{"PUT", "/api/v1/bench/selection", `{"job":1,"cylinders":{"middle":1}}`, 422, "/cylinders/middle"},
		{"PUT", "/api/v1/bench/selection", `{"job":null,"cylinders":{"left":1}}`, 422, "/job"},
		{"POST", "/api/v1/bench/marks", `{"job":1}`, 422, "/mark_deg"},
		{"POST", "/api/v1/bench/marks", `{"job":1,"mark_deg":1000}`, 422, "/mark_deg"},
		{"POST", "/api/v1/bench/zero", `{"indicator":"left","on":"The Deck"}`, 422, "/on"},
		{"POST", "/api/v1/bench/mount", `{"turned_deg":361}`, 422, "/turned_deg"},
		{"PATCH", "/api/v1/jobs/1", `{"name":"a\u0000b","notes":"a\u0000b"}`, 422, "/name /notes"},
		{"GET", "/api/v1/jobs?limit=501", "", 422, "?limit"},
		{"GET", "/api/v1/jobs?limit=0&after=-1&order=up", "", 422, "?after ?limit ?order"},
	} {
		r := a.call(row.method, row.path, row.body)
		if got := strings.Join(r.pointers(), " "); r.status != row.status || got != row.pointers {
			t.Errorf("%s %s %s: %d %q, want %d %q: %s", row.method, row.path, row.body, r.status, got, row.status, row.pointers, r.body)
		}
	}
	a.want(413, a.call("POST", "/api/v1/jobs", `{"name":"`+strings.Repeat("x", maxBody)+`"}`))
	a.want(415, a.call("POST", "/api/v1/jobs", `{}`, "Content-Type", "text/plain"))
	a.want(404, a.call("GET", "/api/v1/nothing", ""))
	if r := a.want(405, a.call("DELETE", "/api/v1/jobs", "")); r.head.Get("Allow") != "GET, HEAD, POST" {
		t.Errorf("Allow: %s", r.head.Get("Allow"))
	}
}

func TestBenchRequests(t *testing.T) {
	a := startAPI(t, nil)
	a.job()
	a.want(200, a.call("PUT", "/api/v1/bench/selection", `{"job":1,"cylinders":{"left":3,"right":2}}`))
	if r := a.want(200, a.call("GET", "/api/v1/bench", "")); r.doc["selection"].(map[string]any)["job"] != 1.0 || r.doc["angle_deg"] != 171.36 {
		t.Errorf("bench: %s", r.body)
	}
	mark := a.want(201, a.call("POST", "/api/v1/bench/marks", `{"job":1,"mark_deg":-5}`, "Idempotency-Key", "k"))
	if mark.doc["mark_deg"] != -5.0 || mark.head.Get("Location") == "" {
		t.Errorf("mark: %s", mark.body)
	}
	if again := a.call("POST", "/api/v1/bench/marks", `{"job":1,"mark_deg":-5}`, "Idempotency-Key", "k"); !bytes.Equal(again.body, mark.body) || len(a.bench.marks) != 1 {
		t.Errorf("the pedal bounced: %d marks, %s", len(a.bench.marks), again.body)
	}
	a.want(422, a.call("POST", "/api/v1/bench/marks", `{"job":1,"mark_deg":-10}`, "Idempotency-Key", "k"))
	a.want(201, a.call("POST", "/api/v1/bench/zero", `{"indicator":"left","on":"deck"}`))
	for body, turned := range map[string]any{`{"turned_deg":-90}`: -90.0, `{"turned_deg":null}`: nil, `{}`: nil} {
		if r := a.want(201, a.call("POST", "/api/v1/bench/mount", body)); r.doc["turned_deg"] != turned || r.doc["mount"] != 3.0 {
			t.Errorf("%s: %v", body, r.doc)
		}
	}
	a.want(201, a.call("POST", "/api/v1/bench/direction", `{"job":1}`))
	a.want(404, a.call("POST", "/api/v1/bench/direction", `{"job":2}`))
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"state":"closed"}`))
	a.want(409, a.call("PUT", "/api/v1/bench/selection", `{"job":1,"cylinders":{"left":3}}`))
	a.want(409, a.call("POST", "/api/v1/bench/marks", `{"job":1,"mark_deg":0}`))
	if r := a.want(200, a.call("PUT", "/api/v1/bench/selection", `{"job":null}`)); r.doc["selection"] != nil {
		t.Errorf("deselected: %s", r.body)
	}
}

func TestTheBenchRefuses(t *testing.T) {
	a := startAPI(t, nil)
	a.job()
	for err, status := range map[error]int{acquire.ErrNoMotion: 409, acquire.ErrNotLive: 409, acquire.ErrUnknownIndicator: 422, acquire.ErrNoSelection: 409,
		acquire.ErrStopped: 503, store.ErrStorageFull: 507, io.ErrUnexpectedEOF: 500} {
		a.bench.err = fmt.Errorf("direction: %w", err)
		r := a.want(status, a.call("POST", "/api/v1/bench/direction", `{"job":1}`, "Idempotency-Key", "same"))
		if r.doc["fix"] == "" || (status == 500) == strings.Contains(string(r.body), "direction") {
			t.Errorf("%v: %s", err, r.body)
		}
	}
	a.bench.err = nil
	a.want(201, a.call("POST", "/api/v1/bench/direction", `{"job":1}`, "Idempotency-Key", "same")) // a failure is not remembered
}

func TestSweeps(t *testing.T) {
	a := startAPI(t, nil)
	a.job()
	a.sweep(1)
	list := a.want(200, a.call("GET", "/api/v1/jobs/1/sweeps", ""))
	if items := list.doc["items"].([]any); len(items) != 1 || items[0].(map[string]any)["readings"] != 20.0 {
		t.Fatalf("sweeps: %s", list.body)
	}
	csv := a.want(200, a.call("GET", "/api/v1/sweeps/1/samples.csv", ""))
	f, err := sweepcsv.Read("samples.csv", bytes.NewReader(csv.body))
	if err != nil || len(f.Sweeps) != 1 || len(f.Sweeps[0].Height.V) != 20 || !f.Simulated {
		t.Errorf("samples: %v, %+v\n%s", err, f, csv.body)
	}
	export := a.want(200, a.call("GET", "/api/v1/jobs/1/export.csv", ""))
	if f, err := sweepcsv.Read("export.csv", bytes.NewReader(export.body)); err != nil || len(f.Sweeps) != 1 {
		t.Errorf("export: %v, %+v", err, f)
	}
	for range 2 {
		if r := a.want(200, a.call("DELETE", "/api/v1/sweeps/1?reason=bumped%20the%20stand", "")); r.doc["set_aside"] != true || r.doc["reason"] != "bumped the stand" {
			t.Errorf("set aside: %s", r.body)
		}
	}
	if r := a.want(200, a.call("PATCH", "/api/v1/sweeps/1", `{"set_aside":false}`)); r.doc["set_aside"] != false {
		t.Errorf("taken back: %s", r.body)
	}
	if r := a.want(200, a.call("PATCH", "/api/v1/sweeps/1", `{"cylinder":2}`)); r.doc["cylinder"] != 2.0 {
		t.Errorf("assigned: %s", r.body)
	}
	if r := a.want(422, a.call("PATCH", "/api/v1/sweeps/1", `{"cylinder":7}`)); r.pointers()[0] != "/cylinder" {
		t.Errorf("no such cylinder: %s", r.body)
	}
	a.want(422, a.call("PATCH", "/api/v1/sweeps/1", `{"cylinder":2,"set_aside":true}`))
	a.want(404, a.call("GET", "/api/v1/sweeps/2", ""))
	a.want(404, a.call("DELETE", "/api/v1/sweeps/2", ""))
	a.want(404, a.call("GET", "/api/v1/jobs/2/sweeps", ""))
	a.want(404, a.call("GET", "/api/v1/jobs/2/export.csv", ""))
}

func TestIndexHasARevision(t *testing.T) {
	a := startAPI(t, nil)
	a.job()
	r := a.want(200, a.call("GET", "/api/v1/jobs/1/index", ""))
	tag := r.head.Get("ETag")
	if tag == "" || r.doc["revision"] != strings.Trim(tag, `"`) || len(r.doc["cylinders"].([]any)) != 4 {
		t.Fatalf("index %s: %s", tag, r.body)
	}
	if r := a.call("GET", "/api/v1/jobs/1/index", "", "If-None-Match", `"other", `+tag); r.status != 304 || len(r.body) != 0 {
		t.Errorf("unchanged: %d %s", r.status, r.body)
	}
	a.sweep(1)
	if r := a.want(200, a.call("GET", "/api/v1/jobs/1/index", "", "If-None-Match", tag)); r.head.Get("ETag") == tag {
		t.Errorf("a sweep changed nothing: %s", tag)
	}
	trims := a.want(200, a.call("GET", "/api/v1/jobs/1/trims.csv", ""))
	if got := string(trims.body); got != "cylinder,trim_deg,u95_deg\n1,,\n2,,\n3,,\n4,,\n" {
		t.Errorf("trims before anything is known:\n%s", got)
	}
	a.want(404, a.call("GET", "/api/v1/jobs/9/index", ""))
	a.want(404, a.call("GET", "/api/v1/jobs/9/trims.csv", ""))
}

func TestAFitThatPanicsIsAProblem(t *testing.T) {
	a := startAPI(t, func(fit.Input) (fit.Index, error) { panic("index out of range") })
	a.job()
	if r := a.want(500, a.call("GET", "/api/v1/jobs/1/index", "")); strings.Contains(string(r.body), "out of range") {
		t.Errorf("the inside shows: %s", r.body)
	}
	if r := a.call("GET", "/jobs/1", ""); r.status != 200 || !strings.Contains(string(r.body), "The fit broke off") {
		t.Errorf("the page does not stand: %d", r.status)
	}
}

func TestHealth(t *testing.T) {
	a := startAPI(t, nil)
	a.want(200, a.call("GET", "/healthz", ""))
	a.want(200, a.call("GET", "/readyz", ""))
	a.want(200, a.call("GET", "/openapi.json", ""))
	a.bench.set(func(n *acquire.Snapshot) {
		n.Indicators = slices.Clone(n.Indicators)
		n.Indicators[0].Live, n.Indicators[0].Status, n.Indicators[0].Detail = false, string(acquire.PortLost), "the port is gone; plug it in"
	})
	if r := a.want(503, a.call("GET", "/readyz", "")); !strings.Contains(string(r.body), "plug it in") {
		t.Errorf("ready: %s", r.body)
	}
	a.bench.set(func(n *acquire.Snapshot) { // its port is open, but it fell silent
		n.Indicators = slices.Clone(n.Indicators)
		n.Indicators[0].Live, n.Indicators[0].Status, n.Indicators[0].Detail = true, acquire.StatusSilent, "it says nothing; switch it on"
	})
	if r := a.want(503, a.call("GET", "/readyz", "")); !strings.Contains(string(r.body), "switch it on") {
		t.Errorf("ready: %s", r.body)
	}
}
