package dashboards

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"testing"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/fit"
	"crownmark/store"
)

// recordBlocks hands in a calibration of the virtual bench's indicator on gauge blocks.
func recordBlocks(t testing.TB, k *store.Store, calibration int64, truth virtual.Truth) {
	t.Helper()
	list, err := truth.Blocks("left", 2, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	res, err := k.Resume(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	config, err := json.Marshal(acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: "left", Direction: 1, Unit: "mm"})
	if err != nil {
		t.Fatal(err)
	}
	stream := res.LastStream + 1
	b := acquire.Batch{Streams: []acquire.StreamOpened{{ID: stream, Kind: acquire.KindIndicator, Name: "left", ConfigJSON: string(config)}}}
	for i, p := range list {
		seq := int64(i + 1)
		b.Readings = append(b.Readings, acquire.Reading{Stream: stream, Seq: seq, AtNS: seq * 1e9, Ticks: int64(math.Round(1e4 * p.ReadingMM)), Decimals: 4, Unit: acquire.UnitMM, Raw: fmt.Appendf(nil, "%.4f", p.ReadingMM)})
		b.Points = append(b.Points, acquire.CalibrationPoint{Calibration: calibration, Run: p.Run, Direction: p.Direction, ReferenceMM: p.ReferenceMM, Stream: stream, Seq: seq})
	}
	b.Calibrated = []acquire.CalibrationEvent{{Calibration: calibration, Kind: acquire.CalibrationEnded, Actor: "test"}}
	if _, err := k.Record(t.Context(), b); err != nil {
		t.Fatal(err)
	}
}

func indexDocument(a *api, job int64) (x fit.Index) {
	a.t.Helper()
	if err := json.Unmarshal(a.want(200, a.call("GET", fmt.Sprintf("/api/v1/jobs/%d/index", job), "")).body, &x); err != nil {
		a.t.Fatal(err)
	}
	return x
}

func cylinderNo(x fit.Index, n int) fit.Cylinder {
	return x.Cylinders[slices.IndexFunc(x.Cylinders, func(c fit.Cylinder) bool { return c.Number == n })]
}

// A job is done with an indicator that shows 2 % too much, is locally 10 µm wrong
// and has some hysteresis, then again once it has its certificate: the peaks are
// the virtual bench's own, and no top has moved. The first job stays as it was.
func TestHeightsAreRightByTheCertificate(t *testing.T) {
	a := startAPI(t, nil)
	e := engineNamed(t, "practice-four")
	truth := truthOf(e, 3)
	truth.Indicators[0].IndicatorFaults = virtual.IndicatorFaults{ScaleError: 0.02, HysteresisMM: 0.002, Bumps: []virtual.Bump{{AtMM: 9, WidthMM: 2, HeightMM: 0.01}}}
	for i := range truth.Setups {
		truth.Setups[i].ZeroMM += 2 + 0.2*float64(i)
	}
	truth = virtual.Derive(truth)
	before := virtualJob(t, a.store, store.NewJob{Name: "before", Engine: e, Actor: "test"}, truth)
	bare := indexDocument(a, before)
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"blocks","name":"blocks","certificate_number":"K-2","u95_mm":0.0002}}`))
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"left dial","bench_name":"left","range_mm":12.5,"resolution_mm":0.001,"limits_mm":{"total":0.5,"local":0.5,"hysteresis":0.5,"repeatability":0.5}}}`))
	recordBlocks(t, a.store, beginCalibration(t, a.store, 2, 1, store.KindCalibration).ID, truth)
	a.want(201, a.call("POST", "/api/v1/instruments/2/certificates", `{"calibration":1}`))
	right := indexDocument(a, virtualJob(t, a.store, store.NewJob{Name: "after", Engine: e, Actor: "test"}, truth))

	worst := 0.0
	for i, n := range []int{1, 3, 4, 2} { // the order of their placements
		was, is := cylinderNo(bare, n), cylinderNo(right, n)
		off, want := *is.PeakMM-truth.Setups[i].PeakMM, truth.Setups[i].PeakMM
		worst = math.Max(worst, math.Abs(*was.PeakMM-want))
		if math.Abs(off) > 0.005 || math.Abs(off) > *is.PeakU95MM {
			t.Errorf("cylinder %d: peak %.4f ± %.4f mm, truth %.4f", n, *is.PeakMM, *is.PeakU95MM, want)
		}
		if moved := *is.TDCDeg - *was.TDCDeg; math.Abs(moved) > 0.002 {
			t.Errorf("cylinder %d: its top moved by %.4f°", n, moved)
		}
		line := slices.IndexFunc(is.Budget, func(s fit.Share) bool { return s.Source == "indicator calibration" })
		if line < 0 || is.Budget[line].UDeg > 0.002 {
			t.Errorf("cylinder %d: budget %+v", n, is.Budget)
		}
	}
	if worst < 0.03 {
		t.Errorf("without a certificate the worst peak is off by %.4f mm: nothing was to correct", worst)
	}
	if again := indexDocument(a, before); *again.Cylinders[2].PeakMM != *bare.Cylinders[2].PeakMM {
		t.Errorf("the certificate changed a job that was done before: %g, %g", *again.Cylinders[2].PeakMM, *bare.Cylinders[2].PeakMM)
	}
}
