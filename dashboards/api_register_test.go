package dashboards

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

const leftDial = `{"record":{"kind":"indicator","name":"left dial","bench_name":"left","range_mm":12.5,"resolution_mm":0.001,"limits_mm":{"total":0.01}}}`

// recordPoints hands in a calibration's points as the bench does: 0 to 4 mm up and
// down, each reading wrongUM too long; it ends there.
func recordPoints(t testing.TB, k *store.Store, calibration int64, wrongUM func(mm int64, down bool) int64) {
	t.Helper()
	ctx := context.Background()
	res, err := k.Resume(ctx)
	if err != nil {
		t.Fatal(err)
	}
	config, err := json.Marshal(acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: "left", Direction: 1, Unit: "mm"})
	if err != nil {
		t.Fatal(err)
	}
	stream := res.LastStream + 1
	b := acquire.Batch{Streams: []acquire.StreamOpened{{ID: stream, Kind: acquire.KindIndicator, Name: "left", ConfigJSON: string(config)}}}
	for i, mm := range []int64{0, 1, 2, 3, 4, 4, 3, 2, 1, 0} {
		direction, seq := "up", int64(i+1)
		if i >= 5 {
			direction = "down"
		}
		um := 1000*mm + wrongUM(mm, i >= 5)
		b.Readings = append(b.Readings, acquire.Reading{Stream: stream, Seq: seq, AtNS: seq * 1e9, Ticks: um, Decimals: 3, Unit: acquire.UnitMM, Raw: fmt.Appendf(nil, "%.3f mm", float64(um)/1000)})
		b.Points = append(b.Points, acquire.CalibrationPoint{Calibration: calibration, Run: 1, Direction: direction, ReferenceMM: float64(mm), Stream: stream, Seq: seq})
	}
	b.Calibrated = []acquire.CalibrationEvent{{Calibration: calibration, Kind: acquire.CalibrationEnded, Actor: "test"}}
	if _, err := k.Record(ctx, b); err != nil {
		t.Fatal(err)
	}
}

func beginCalibration(t testing.TB, k *store.Store, instrument, reference int64, kind string) store.Calibration {
	t.Helper()
	c, _, err := k.CreateCalibration(context.Background(), store.NewCalibration{Instrument: instrument, Reference: reference, Kind: kind, Actor: "test",
		Conditions: store.CalibrationConditions{MeasuredBy: "A", TemperatureC: new(20.5)}})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func twoUM(mm int64, down bool) int64 { return mm / 2 }

// evaluateSimply judges the total error alone.
func evaluateSimply(points []calibrate.Point, o calibrate.Options) (calibrate.Result, error) {
	if len(points) == 0 {
		return calibrate.Result{}, errors.New("no points")
	}
	lo, hi := points[0].ReadingMM-points[0].ReferenceMM, points[0].ReadingMM-points[0].ReferenceMM
	for _, p := range points {
		lo, hi = min(lo, p.ReadingMM-p.ReferenceMM), max(hi, p.ReadingMM-p.ReferenceMM)
	}
	total, r := hi-lo, calibrate.Result{Schema: "simple", Points: []calibrate.Row{}, Overall: calibrate.Pass, Limits: o.Limits}
	if limit := o.Limits[calibrate.Total]; limit > 0 && total > limit {
		r.Overall = calibrate.Fail
	}
	r.ErrorTotalMM, r.Verdict = &total, map[string]string{calibrate.Total: r.Overall}
	return r, nil
}

// A dial is registered, calibrated and certified; what is answered is what is
// described (call holds each answer against openapi.json).
func TestRegisterOverTheAPI(t *testing.T) {
	a := startAPI(t, nil)
	a.server.evaluate = evaluateSimply
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"head","name":"head","certificate_number":"K-1","u95_mm":0.001,"due_at":"2040-01-01T00:00:00Z"}}`))
	r := a.want(201, a.call("POST", "/api/v1/instruments", leftDial, "Idempotency-Key", "k"))
	if r.head.Get("Location") != "/api/v1/instruments/2" || at(r.doc, "standing", "state") != "none" || at(r.doc, "record", "interval_days") != 365.0 {
		t.Errorf("added: %s", r.body)
	}
	if again := a.want(201, a.call("POST", "/api/v1/instruments", leftDial, "Idempotency-Key", "k")); again.doc["id"] != 2.0 || again.head.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the pedal bounced: %s", again.body)
	}
	if r := a.want(200, a.call("PATCH", "/api/v1/instruments/2", `{"record":{"serial_number":"4711"}}`)); r.doc["revision"] != 2.0 || at(r.doc, "record", "bench_name") != "left" {
		t.Errorf("changed: %s", r.body)
	}
	if r := a.want(200, a.call("GET", "/api/v1/instruments/1", "")); at(r.doc, "standing", "state") != "in_force" {
		t.Errorf("a reference by its own certificate: %s", r.body)
	}
	beginCalibration(t, a.store, 2, 1, store.KindCalibration)
	a.want(409, a.call("POST", "/api/v1/instruments/2/certificates", `{"calibration":1}`))
	a.want(409, a.call("GET", "/api/v1/calibrations/1/result", ""))
	recordPoints(t, a.store, 1, twoUM)
	if r := a.want(200, a.call("GET", "/api/v1/calibrations/1", "")); r.doc["state"] != "ended" || len(r.doc["points"].([]any)) != 10 || at(r.doc, "conditions", "measured_by") != "A" {
		t.Errorf("calibration: %s", r.body)
	}
	csv := a.want(200, a.call("GET", "/api/v1/calibrations/1/points.csv", ""))
	if want := "run,direction,reference_mm,reading_mm\n1,up,0,0\n1,up,1,1\n1,up,2,2.001\n"; !strings.HasPrefix(string(csv.body), want) {
		t.Errorf("points: %s", csv.body)
	}
	if r := a.want(200, a.call("GET", "/api/v1/calibrations/1/result", "")); r.doc["overall"] != calibrate.Pass {
		t.Errorf("result: %s", r.body)
	}
	issued := a.want(201, a.call("POST", "/api/v1/instruments/2/certificates", `{"calibration":1}`, "Idempotency-Key", "c"))
	if issued.head.Get("Location") != "/api/v1/certificates/1" || issued.doc["overall"] != calibrate.Pass || issued.doc["version"] != 1.0 {
		t.Errorf("issued: %s", issued.body)
	}
	if again := a.want(201, a.call("POST", "/api/v1/instruments/2/certificates", `{"calibration":1}`, "Idempotency-Key", "c")); again.doc["number"] != 1.0 || again.head.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the pedal bounced: %s", again.body)
	}
	frozen := a.want(200, a.call("GET", "/api/v1/certificates/1", ""))
	if at(frozen.doc, "instrument", "record", "serial_number") != "4711" || at(frozen.doc, "reference", "record", "certificate_number") != "K-1" || frozen.doc["number"] != 1.0 {
		t.Errorf("certificate: %s", frozen.body)
	}
	a.want(200, a.call("PATCH", "/api/v1/instruments/2", `{"record":{"serial_number":"0815"}}`))
	if again := a.want(200, a.call("GET", "/api/v1/certificates/1", "")); string(again.body) != string(frozen.body) {
		t.Error("the certificate changed with the register")
	}
	a.want(304, a.call("GET", "/api/v1/certificates/1", "", "If-None-Match", frozen.head.Get("ETag")))
	if r := a.want(200, a.call("GET", "/api/v1/instruments/2", "")); at(r.doc, "standing", "state") != "in_force" || at(r.doc, "standing", "certificate") != 1.0 {
		t.Errorf("in force: %s", r.body)
	}
	recordPoints(t, a.store, beginCalibration(t, a.store, 2, 1, store.KindCheck).ID, twoUM)
	checks := a.want(200, a.call("GET", "/api/v1/instruments/2/checks", ""))
	if len(checks.doc["items"].([]any)) != 10 || len(checks.doc["charts"].([]any)) != 5 {
		t.Errorf("checks: %s", checks.body)
	}
	a.want(200, a.call("GET", "/api/v1/instruments/2/touched", ""))
	for path, n := range map[string]int{"/api/v1/instruments": 2, "/api/v1/instruments/2/calibrations": 2, "/api/v1/instruments/2/certificates": 1, "/api/v1/instruments?after=1&limit=1": 1} {
		if r := a.want(200, a.call("GET", path, "")); len(r.doc["items"].([]any)) != n {
			t.Errorf("%s: %s", path, r.body)
		}
	}
}

// at follows keys into an answer.
func at(doc map[string]any, keys ...string) any {
	for _, key := range keys[:len(keys)-1] {
		doc, _ = doc[key].(map[string]any)
	}
	return doc[keys[len(keys)-1]]
}

func TestWhatIsWrongWithARegister(t *testing.T) {
	a := startAPI(t, nil)
	a.server.evaluate = evaluateSimply
	a.want(201, a.call("POST", "/api/v1/instruments", leftDial))
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"right dial","identity":"usb-9"}}`))
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"encoder","name":"encoder"}}`))
	recordPoints(t, a.store, beginCalibration(t, a.store, 1, 0, store.KindCalibration).ID, twoUM)
	recordPoints(t, a.store, beginCalibration(t, a.store, 1, 0, store.KindCheck).ID, twoUM)
	beginCalibration(t, a.store, 1, 0, store.KindCalibration) // 3: no points
	if _, err := a.store.EndCalibration(t.Context(), 3, "given up", "test"); err != nil {
		t.Fatal(err)
	}
	a.want(201, a.call("POST", "/api/v1/instruments/1/certificates", `{"calibration":1}`, "Idempotency-Key", "once"))
	for _, row := range []struct {
		method, path, body string
		status             int
		pointers           string
	}{
		{"POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"left dial"}}`, 409, "/record/name"},
		{"POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"x","identity":"usb-9"}}`, 409, "/record/identity"},
		{"POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"x","bench_name":"left"}}`, 409, "/record/bench_name"},
		{"PATCH", "/api/v1/instruments/2", `{"record":{"name":"left dial"}}`, 409, "/record/name"},
		{"POST", "/api/v1/instruments", `{"record":{"kind":"scale","name":""}}`, 422, "/record/kind /record/name"},
		{"POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"x","range_mm":-1,"interval_days":-5,"limits_mm":{"total":0,"colour":1}}}`, 422,
			"/record/interval_days /record/limits_mm/colour /record/limits_mm/total /record/range_mm"},
		{"POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"x","resolution_mm":"fine","colour":"red"}}`, 422, "/record/colour /record/resolution_mm"},
		{"POST", "/api/v1/instruments", `{"record":{"kind":"head","name":"x","due_at":"soon"}}`, 422, "/record/due_at"},
		{"POST", "/api/v1/instruments", `{"record":[]}`, 400, "/record"},
		{"POST", "/api/v1/instruments", `{}`, 422, "/record"},
		{"PATCH", "/api/v1/instruments/1", `{}`, 422, ""},
		{"PATCH", "/api/v1/instruments/1", `{"state":"lost"}`, 422, "/state"},
		{"PATCH", "/api/v1/instruments/1", `{"record":{"kind":"encoder"}}`, 422, "/record/kind"},
		{"PATCH", "/api/v1/instruments/99", `{"state":"kept"}`, 404, ""},
		{"POST", "/api/v1/instruments/2/certificates", `{"calibration":1}`, 422, "/calibration"}, // another's
		{"POST", "/api/v1/instruments/1/certificates", `{"calibration":2}`, 422, ""},             // a check
		{"POST", "/api/v1/instruments/1/certificates", `{"calibration":3}`, 409, ""},             // without points
		{"POST", "/api/v1/instruments/1/certificates", `{"calibration":99}`, 404, ""},
		{"POST", "/api/v1/instruments/99/certificates", `{"calibration":1}`, 404, ""},
		{"POST", "/api/v1/instruments/1/certificates", `{}`, 422, "/calibration"},
		{"POST", "/api/v1/instruments/1/certificates", `{"calibration":1,"job":1}`, 422, "/calibration"},
		{"POST", "/api/v1/instruments/1/certificates", `{"calibration":-1}`, 422, "/calibration"},
		{"GET", "/api/v1/certificates/99", "", 404, ""},
		{"GET", "/api/v1/calibrations/99", "", 404, ""},
		{"GET", "/api/v1/calibrations/99/points.csv", "", 404, ""},
		{"GET", "/api/v1/calibrations/99/result", "", 404, ""},
		{"GET", "/api/v1/instruments/99/checks", "", 404, ""},
		{"GET", "/api/v1/instruments/99/touched", "", 404, ""},
		{"GET", "/api/v1/instruments/99/certificates", "", 404, ""},
		{"GET", "/api/v1/instruments/99/calibrations", "", 404, ""},
		{"GET", "/api/v1/instruments?colour=red", "", 422, "?colour"},
	} {
		r := a.call(row.method, row.path, row.body)
		if r.status != row.status || strings.Join(r.pointers(), " ") != row.pointers {
			t.Errorf("%s %s %s: %d %q in %s", row.method, row.path, row.body, r.status, r.pointers(), r.body)
		}
	}
	if r := a.want(422, a.call("POST", "/api/v1/instruments/1/certificates", `{"calibration":3}`, "Idempotency-Key", "once")); !strings.HasSuffix(r.doc["type"].(string), "idempotency-key-reused") {
		t.Errorf("one key for two: %s", r.body)
	}
	if _, _, err := a.store.CreateCalibration(t.Context(), store.NewCalibration{Instrument: 3, Kind: store.KindCalibration}); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("an encoder point by point: %v", err)
	}
}
