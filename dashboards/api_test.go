package dashboards

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/sweepcsv"
	"crownmark/store"
)

// api is the whole thing over a real store on disk and a bench that obeys.
// Every answer is held against openapi.json.
type api struct {
	t     *testing.T
	spec  spec
	srv   *httptest.Server
	bench *fakeBench
	store *store.Store
	mux   *http.ServeMux // only to find the route of a path
}

func startAPI(t *testing.T, solve func(fit.Input) (fit.Index, error)) *api {
	t.Helper()
	k, err := store.Open(t.Context(), store.Options{Path: filepath.Join(t.TempDir(), "bench.db"), Software: "crownmark test", BenchName: "bench-1", Simulated: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { k.Close() })
	b := benchAt(171.36, map[string]float64{"left": -0.482, "right": 0.1})
	s, err := New(Options{Store: k, Bench: b, Software: "crownmark test", Simulated: true, Solve: solve})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(s.Handler())
	t.Cleanup(srv.Close)
	a := &api{t, readSpec(t), srv, b, k, http.NewServeMux()}
	for _, r := range s.routes() {
		a.mux.Handle(r.method+" "+r.path, http.NotFoundHandler())
	}
	return a
}

type reply struct {
	status int
	head   http.Header
	body   []byte
	doc    map[string]any // when it is JSON
}

func (a *api) call(method, path, body string, head ...string) reply {
	a.t.Helper()
	req, err := http.NewRequestWithContext(a.t.Context(), method, a.srv.URL+path, strings.NewReader(body))
	if err != nil {
		a.t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(head); i += 2 {
		req.Header.Set(head[i], head[i+1])
	}
	res, err := a.srv.Client().Do(req)
	if err != nil {
		a.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		a.t.Fatal(err)
	}
	r := reply{status: res.StatusCode, head: res.Header, body: b}
	a.hold(req, &r)
	return r
}

// hold checks an answer against the description of its route.
func (a *api) hold(req *http.Request, r *reply) {
	a.t.Helper()
	kind, _, _ := mime.ParseMediaType(r.head.Get("Content-Type"))
	var v any
	if strings.Contains(kind, "json") {
		if err := json.Unmarshal(r.body, &v); err != nil {
			a.t.Fatalf("%s %s: %v in %s", req.Method, req.URL, err, r.body)
		}
		r.doc, _ = v.(map[string]any)
	}
	if r.status >= 400 && r.status != http.StatusServiceUnavailable && kind != "application/problem+json" {
		a.t.Errorf("%s %s: %d as %s", req.Method, req.URL, r.status, kind)
	}
	_, pattern := a.mux.Handler(req)
	_, path, ok := strings.Cut(pattern, " ")
	if !ok || r.status == http.StatusMethodNotAllowed {
		return
	}
	schema, ok := a.spec.answer(req.Method, documented(path), r.status, kind)
	if !ok {
		a.t.Errorf("%s %s: %d %s is not described", req.Method, path, r.status, kind)
		return
	}
	if r.doc != nil {
		for _, fault := range a.spec.check(schema, v, "") {
			a.t.Errorf("%s %s %d: %s", req.Method, path, r.status, fault)
		}
	}
}

func (a *api) want(status int, r reply) reply {
	a.t.Helper()
	if r.status != status {
		a.t.Fatalf("status %d, want %d: %s", r.status, status, r.body)
	}
	return r
}

// pointers are where a problem's faults lie.
func (r reply) pointers() []string {
	var out []string
	list, _ := r.doc["errors"].([]any)
	for _, f := range list {
		fault := f.(map[string]any)
		if fault["detail"] == "" || fault["fix"] == "" {
			out = append(out, "EMPTY")
		}
		out = append(out, fault["pointer"].(string))
	}
	slices.Sort(out)
	return out
}

func (a *api) job() {
	a.t.Helper()
	a.want(201, a.call("POST", "/api/v1/jobs", `{"engine":`+practiceFour+`}`))
}

// sweep records one sweep of cylinder 3 in job 1, as a bench would.
func (a *api) sweep(id int64) {
	a.t.Helper()
	cfg := func(c acquire.InstrumentConfig) string {
		b, err := json.Marshal(c)
		if err != nil {
			a.t.Fatal(err)
		}
		return string(b)
	}
	enc, ind := 2*id-1, 2*id
	b := acquire.Batch{
		Streams: []acquire.StreamOpened{
			{ID: enc, Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/e", ConfigJSON: cfg(acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Direction: 1, CountsPerRev: 3600, LashUDeg: 0.2})},
			{ID: ind, Kind: acquire.KindIndicator, Name: "left", Port: "/dev/i", ConfigJSON: cfg(acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: "left", Direction: 1, Unit: "mm", ResolutionMM: 0.001, LatencyUMS: 50})},
		},
		Data: []acquire.Datum{
			{ID: 3*id - 2, Stream: enc, FromSeq: 1, Kind: acquire.DatumMount, Number: int(id), Cause: "start"},
			{ID: 3*id - 1, Stream: ind, FromSeq: 1, Kind: acquire.DatumSetup, Number: int(id), Cause: "start"},
			{ID: 3 * id, Stream: ind, FromSeq: 1, Kind: acquire.DatumZeroing, Number: int(id), Cause: "start"},
		},
		Begins: []acquire.SweepBegin{{ID: id, Job: 1, Cylinder: 3, Indicator: "left", IndStream: ind, IndFrom: 1, EncStream: enc, EncFrom: 1, DetectorJSON: "{}", AtNS: 1e9}},
		Ends:   []acquire.SweepEnd{{Sweep: id, IndTo: 20, EncTo: 20, Direction: 1, Cause: "reversal", AtNS: 3e9}},
	}
	for n := int64(1); n <= 20; n++ {
		at := 1e9 + n*50_000_000
		b.Readings = append(b.Readings,
			acquire.Reading{Stream: enc, Seq: n, AtNS: at, Ticks: 1000 + 10*n, Unit: acquire.UnitCount, Raw: fmt.Append(nil, 1000+10*n)},
			acquire.Reading{Stream: ind, Seq: n, AtNS: at + 1000, Ticks: -(n - 10) * (n - 10), Decimals: 3, Unit: acquire.UnitMM, Raw: fmt.Appendf(nil, "%.3f", -float64((n-10)*(n-10))/1000)})
	}
	if _, err := a.store.Record(context.Background(), b); err != nil {
		a.t.Fatal(err)
	}
}

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
		n.Indicators[0].Live, n.Indicators[0].Detail = false, "the port is gone; plug it in"
	})
	if r := a.want(503, a.call("GET", "/readyz", "")); !strings.Contains(string(r.body), "plug it in") {
		t.Errorf("ready: %s", r.body)
	}
}
