package dashboards

import (
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
	"crownmark/store"
)

var (
	_ Bench = (*acquire.Bench)(nil)
	_ Store = (*store.Store)(nil)
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

	server *Server
	stop   func() // of the real bench behind it
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
	a := &api{t, readSpec(t), srv, b, k, http.NewServeMux(), s, nil}
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
