package dashboards

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit/crank"
	"crownmark/fit/sweepcsv"
)

// plunger is a Source that shows one height, fifty times a second.
type plunger struct {
	mm  float64
	now func() int64
}

func (d *plunger) Open(context.Context) error { return nil }
func (d *plunger) Close() error               { return nil }
func (d *plunger) Node() string               { return "here" }
func (d *plunger) Identity() string           { return "display" }

func (d *plunger) Read() (acquire.Heard, error) {
	time.Sleep(20 * time.Millisecond)
	raw := fmt.Appendf(nil, "%+.3f", d.mm)
	return acquire.Heard{Bytes: len(raw), Readings: []acquire.Reading{{AtNS: d.now(), Ticks: int64(math.Round(d.mm * 1000)), Decimals: 3, Unit: acquire.UnitMM, Raw: raw}}}, nil
}

// handAPI is the API over a real store and a real bench: no encoder, an
// indicator that speaks, and one that is typed.
func handAPI(t *testing.T) *api {
	a := startAPI(t, nil)
	a.startBench()
	a.job()
	return a
}

// restart stops the bench and starts another over the same store.
func (a *api) restart() {
	a.stop()
	a.startBench()
}

// startBench begins a bench that goes on with what the store has.
func (a *api) startBench() {
	show := &plunger{mm: -1.26, now: a.store.Clock()}
	cfg := acquire.Config{Name: "bench-1", Sweep: acquire.DefaultSweepConfig(),
		Encoder: acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Format: acquire.FormatMarks, Direction: 1},
		Indicators: []acquire.InstrumentConfig{{Kind: acquire.KindIndicator, Name: "left", Port: "display", Direction: 1, Unit: "mm"},
			{Kind: acquire.KindIndicator, Name: "plain", Format: acquire.FormatTyped, Direction: 1, Unit: "in"}}}
	res, err := a.store.Resume(a.t.Context())
	if err != nil {
		a.t.Fatal(err)
	}
	b, err := acquire.NewBench(cfg, a.store, res, acquire.Options{Now: a.store.Clock(), Open: func([]acquire.InstrumentConfig) acquire.Source { return show }})
	if err != nil {
		a.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	a.bench.hand = b
	stopped := false
	a.stop = func() {
		if cancel(); !stopped {
			stopped = true
			if err := <-done; err != nil {
				a.t.Error(err)
			}
		}
	}
	a.t.Cleanup(a.stop)
}

// begin begins a hand sweep and returns its path.
func (a *api) begin(body string) string {
	a.t.Helper()
	return a.want(201, a.call("POST", "/api/v1/jobs/1/hand-sweeps", body)).head.Get("Location")
}

// A pedal that bounces counts once; what was taken back stays to be seen; a
// height that is not sent is taken from the live display.
func TestHandSweep(t *testing.T) {
	a := handAPI(t)
	at := a.begin(`{"cylinder":3,"indicator":"left","direction":1}`)
	if at != "/api/v1/hand-sweeps/1" {
		t.Fatalf("at %s", at)
	}
	live := func(body string) reply {
		for range 200 {
			r := a.call("POST", at+"/readings", body, "Idempotency-Key", "press-"+body)
			if r.status != http.StatusConflict {
				return r
			}
			time.Sleep(20 * time.Millisecond) // the display settles
		}
		t.Fatal("the display never stood still")
		return reply{}
	}
	first := a.want(201, live(`{"mark_deg":-12}`))
	if first.doc["height_age_s"] == nil || first.doc["angle_u_deg"] != 0.2 || first.doc["readings"] != 1.0 || first.doc["fewest_to_fit"] != 6.0 {
		t.Errorf("first: %s", first.body)
	}
	if again := a.want(201, live(`{"mark_deg":-12}`)); !bytes.Equal(again.body, first.body) || again.head.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the pedal bounced: %s", again.body)
	}
	a.want(201, a.call("POST", at+"/readings", `{"mark_deg":-10.0,"height_mm":-0.88}`))
	a.want(201, a.call("POST", at+"/take-back", `{}`))
	a.want(201, a.call("POST", at+"/readings", `{"mark_deg":-10.5,"height_in":-0.038}`))
	a.want(201, a.call("POST", at+"/end", `{}`))
	a.want(201, a.call("POST", at+"/end", `{}`))
	r := a.want(200, a.call("GET", at, ""))
	pairs := r.doc["pairs"].([]any)
	var got []string
	for _, p := range pairs {
		m := p.(map[string]any)
		got = append(got, fmt.Sprintf("%v %v %.4f %v %v", m["raw_mark"], m["raw_height"], m["height_mm"], m["mark_deg"], m["taken_back"]))
	}
	if want := "-12 -1.260 -1.2600 -12 false|-10.0 -0.88 mm -0.8800 -10 true|-10.5 -0.038 in -0.9652 -10.5 false"; strings.Join(got, "|") != want {
		t.Errorf("pairs %s\nwant  %s", strings.Join(got, "|"), want)
	}
	if r.doc["state"] != "complete" || r.doc["direction"] != 1.0 || r.doc["readings"] != 2.0 {
		t.Errorf("ended: %s", r.body)
	}
}

// What cannot be is pointed at, and changes nothing.
func TestHandSweepFaults(t *testing.T) {
	a := handAPI(t)
	at := a.begin(`{"cylinder":3,"indicator":"left","direction":-1}`)
	a.want(201, a.call("POST", at+"/readings", `{"mark_deg":12,"height_mm":-1.26}`))
	for _, row := range []struct {
		path, body string
		status     int
		pointers   string
	}{
		{at + "/readings", `{"mark_deg":12,"height_mm":-1.26}`, 422, "/mark_deg"},
		{at + "/readings", `{"mark_deg":14,"height_mm":-1.26}`, 422, "/mark_deg"},
		{at + "/readings", `{"mark_deg":1e1,"height_mm":-1.26}`, 422, "/mark_deg"},
		{at + "/readings", `{"mark_deg":10,"height_mm":-88}`, 422, "/height_mm"},
		{at + "/readings", `{"mark_deg":10,"height_in":-88}`, 422, "/height_in"},
		{at + "/readings", `{"mark_deg":10,"height_mm":-0.9,"height_in":-0.04}`, 422, "/height_in"},
		{at + "/readings", `{"height_mm":-0.9}`, 422, "/mark_deg"},
		{at + "/readings", `{"mark_deg":10,"height":-0.9}`, 422, "/height"},
		{"/api/v1/jobs/1/hand-sweeps", `{"cylinder":9,"direction":1}`, 422, "/cylinder"},
		{"/api/v1/jobs/1/hand-sweeps", `{"cylinder":3}`, 422, "/direction"},
		{"/api/v1/jobs/1/hand-sweeps", `{"cylinder":3,"direction":1,"angle_u_deg":9}`, 422, "/angle_u_deg"},
		{"/api/v1/jobs/1/hand-sweeps", `{"cylinder":3,"direction":1,"zeroed_on":"The Deck"}`, 422, "/zeroed_on"},
		{"/api/v1/jobs/1/hand-sweeps", `{"cylinder":3,"direction":1,"indicator":"right"}`, 422, "/indicator"},
		{"/api/v1/jobs/9/hand-sweeps", `{"cylinder":3,"direction":1}`, 404, ""},
		{"/api/v1/hand-sweeps/9/readings", `{"mark_deg":10}`, 404, ""},
	} {
		r := a.call("POST", row.path, row.body)
		if got := strings.Join(r.pointers(), " "); r.status != row.status || got != row.pointers {
			t.Errorf("%s %s: %d %q, want %d %q: %s", row.path, row.body, r.status, got, row.status, row.pointers, r.body)
		}
	}
	if r := a.want(200, a.call("GET", at, "")); len(r.doc["pairs"].([]any)) != 1 || r.doc["state"] != "running" {
		t.Errorf("it changed: %s", r.body)
	}
	a.want(201, a.call("POST", at+"/take-back", `{}`))
	a.want(409, a.call("POST", at+"/take-back", `{}`))
	a.begin(`{"cylinder":3,"direction":1}`)
	a.want(409, a.call("POST", at+"/readings", `{"mark_deg":10,"height_mm":-0.9}`))
	a.sweep(70)
	a.want(404, a.call("GET", "/api/v1/hand-sweeps/70", ""))
	a.want(404, a.call("POST", "/api/v1/hand-sweeps/70/end", `{}`))
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"state":"closed"}`))
	a.want(409, a.call("POST", at+"/readings", `{"mark_deg":10,"height_mm":-0.9}`))
	a.want(409, a.call("POST", "/api/v1/jobs/1/hand-sweeps", `{"cylinder":3,"direction":1}`))
	a.bench.set(func(n *acquire.Snapshot) { n.Encoder.Live, n.Encoder.Status = false, acquire.StatusByEye })
	a.want(200, a.call("GET", "/readyz", "")) // there is no encoder to be heard
}

// The index of a job that was read by hand holds the truth within its doubt,
// and its samples are a file that fit reads.
func TestHandSweepsAreFitted(t *testing.T) {
	a := handAPI(t)
	g, err := crank.New(86, 143.5, -0.8)
	if err != nil {
		t.Fatal(err)
	}
	tops := map[int]float64{1: 0.7, 3: 181.9} // where the marks stand at the tops: cylinder 3 is 1.2° late
	for _, cylinder := range []int{1, 3} {
		for _, way := range []int{1, -1} {
			at := a.begin(fmt.Sprintf(`{"cylinder":%d,"direction":%d}`, cylinder, way))
			for i := -7; i <= 7; i++ {
				mark := math.Round(tops[cylinder]) + float64(3*i*way)
				y, _ := g.Rise(mark - tops[cylinder])
				a.want(201, a.call("POST", at+"/readings", fmt.Sprintf(`{"mark_deg":%g,"height_mm":%.2f}`, mark, y)))
			}
			a.want(201, a.call("POST", at+"/end", `{}`))
		}
	}
	x := a.want(200, a.call("GET", "/api/v1/jobs/1/index", ""))
	row := x.doc["cylinders"].([]any)[2].(map[string]any)
	miss := math.Abs(row["index_error_deg"].(float64) - 1.2)
	if u := row["index_u95_deg"].(float64); row["number"] != 3.0 || miss > u || u > 0.25 {
		t.Errorf("cylinder 3 is 1.2° late: %v", row)
	}
	csv := a.want(200, a.call("GET", "/api/v1/sweeps/1/samples.csv", ""))
	if f, err := sweepcsv.Read("samples.csv", bytes.NewReader(csv.body)); err != nil || f.Sweeps[0].AngleUDeg != 0.2 || len(f.Sweeps[0].Height.V) != 15 || !f.Simulated {
		t.Errorf("samples: %v\n%s", err, csv.body)
	}
}
