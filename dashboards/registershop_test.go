package dashboards

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

// The shop's register: what furnishRegister puts into it.
const (
	dialGood     = 1 // certificate 1, checks, calibration 3 runs on the bench
	headOne      = 2
	blocksOne    = 3
	dialFailed   = 4 // certificate 2
	calIssued    = 1
	calFailed    = 2
	calUnissued  = 3
	calCheck     = 4
	calRunning   = 16
	dayNS        = 86400e9
	usualChecks  = 12
	steadyToTake = 1.5
)

// furnishRegister fills an open shop's register: two indicators held against a
// head, one good and one not, blocks, checks, and a run that is being made.
func furnishRegister(t *testing.T, a *api) {
	t.Helper()
	for _, record := range []string{
		`{"kind":"indicator","name":"Left dial","serial_number":"4711","bench_name":"left","range_mm":12.5,"resolution_mm":0.001,"scheme":"iso13102","limits_mm":{"total":0.012,"hysteresis":0.003,"repeatability":0.002}}`,
		`{"kind":"head","name":"Head 25","serial_number":"88-104","range_mm":25,"certificate_number":"C-2291","due_at":"2041-03-01T00:00:00Z","u95_mm":0.0012,"u95_per_m_mm":0.02}`,
		`{"kind":"blocks","name":"Blocks, grade 1","certificate_number":"C-1877","due_at":"2026-02-01T00:00:00Z","u95_mm":0.0003,"u95_per_m_mm":0.004}`,
		`{"kind":"indicator","name":"Right dial","serial_number":"4712","bench_name":"right","range_mm":12.5,"resolution_mm":0.001,"limits_mm":{"total":0.008}}`,
	} {
		a.want(201, a.call("POST", "/api/v1/instruments", `{"record":`+record+`}`))
	}
	r := &rig{t: t, a: a}
	r.take(r.begin(dialGood, headOne, store.KindCalibration), 0.004, len(r.plan))
	a.want(201, a.call("POST", "/api/v1/instruments/1/certificates", `{"calibration":1}`))
	r.take(r.begin(dialFailed, headOne, store.KindCalibration), 0.02, len(r.plan))
	a.want(201, a.call("POST", "/api/v1/instruments/4/certificates", `{"calibration":2}`))
	r.take(r.begin(dialGood, headOne, store.KindCalibration), 0.005, len(r.plan))
	for day := range usualChecks {
		r.check(day)
	}
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"encoder","name":"Crank encoder","identity":"virtual-1"}}`))
	a.want(201, a.call("POST", "/api/v1/instruments/5/certificates", `{"job":1}`))
	id := r.begin(dialGood, headOne, store.KindCalibration)
	r.leave(id, 0.004, 17)
}

// rig takes points as a bench does.
type rig struct {
	t    *testing.T
	a    *api
	plan []store.PlanPoint
	at   int64
	seed uint64
}

// begin begins a calibration over the scheme's points, or a check.
func (r *rig) begin(instrument, reference int64, kind string) int64 {
	r.t.Helper()
	targets, err := calibrate.Plan(calibrate.PlanRequest{Scheme: calibrate.SchemeISO13102, RangeMM: 12.5, ResolutionMM: 0.001})
	if err != nil {
		r.t.Fatal(err)
	}
	if r.plan = nil; kind == store.KindCheck {
		targets = []calibrate.Target{{Run: 1, Direction: calibrate.Up, ReferenceMM: 5}}
	}
	for _, p := range targets {
		r.plan = append(r.plan, store.PlanPoint{Run: p.Run, Direction: p.Direction, ReferenceMM: p.ReferenceMM})
	}
	c, _, err := r.a.store.CreateCalibration(r.t.Context(), store.NewCalibration{Instrument: instrument, Reference: reference, Kind: kind, Actor: "test",
		Plan:       store.CalibrationPlan{Scheme: calibrate.SchemeISO13102, Points: r.plan, SteadyS: steadyToTake},
		Conditions: store.CalibrationConditions{TemperatureC: new(20.5), TemperatureU95C: new(1.0), SoakMin: new(60.0), MeasuredBy: "Measurer one"}})
	if err != nil {
		r.t.Fatal(err)
	}
	return c.ID
}

// take takes the first n points of a display whose errors reach to wrong, mm, and
// ends the run.
func (r *rig) take(id int64, wrong float64, n int) {
	r.t.Helper()
	b := r.points(id, wrong, n)
	b.Calibrated = append(b.Calibrated, acquire.CalibrationEvent{Calibration: id, Kind: acquire.CalibrationEnded, Actor: "test"})
	r.record(b)
}

func (r *rig) record(b acquire.Batch) {
	r.t.Helper()
	if _, err := r.a.store.Record(r.t.Context(), b); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) points(id int64, wrong float64, n int) acquire.Batch {
	r.t.Helper()
	res, err := r.a.store.Resume(r.t.Context())
	if err != nil {
		r.t.Fatal(err)
	}
	config, err := json.Marshal(acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: "left", Direction: 1, Unit: "mm"})
	if err != nil {
		r.t.Fatal(err)
	}
	stream := res.LastStream + 1
	b := acquire.Batch{Streams: []acquire.StreamOpened{{ID: stream, Kind: acquire.KindIndicator, Name: "left", ConfigJSON: string(config)}}}
	for i, p := range r.plan[:n] {
		um := r.shown(p, wrong)
		r.at += 9e9
		seq := int64(i + 1)
		b.Readings = append(b.Readings, acquire.Reading{Stream: stream, Seq: seq, AtNS: r.at, Ticks: um, Decimals: 3, Unit: acquire.UnitMM, Raw: fmt.Appendf(nil, "%+.3f mm", float64(um)/1000)})
		b.Points = append(b.Points, acquire.CalibrationPoint{Calibration: id, Run: p.Run, Direction: string(p.Direction), ReferenceMM: p.ReferenceMM, Stream: stream, Seq: seq})
	}
	return b
}

// shown is the display at a point, micrometres: a wave, what is lost when it
// turns round, and a scatter of half a step.
func (r *rig) shown(p store.PlanPoint, wrong float64) int64 {
	r.seed = r.seed*6364136223846793005 + 1442695040888963407
	scatter := (float64(r.seed>>40)/float64(1<<24) - 0.5) * 0.001
	mm := p.ReferenceMM + wrong*math.Sin(p.ReferenceMM/2.3) + scatter
	if p.Direction == calibrate.Down {
		mm += 0.0012
	}
	return int64(math.Round(1000 * mm))
}

// check takes one reading on a block each day; the last one is far off.
func (r *rig) check(day int) {
	r.t.Helper()
	id := r.begin(dialGood, blocksOne, store.KindCheck)
	r.at = max(r.at, int64(day+1)*dayNS)
	wrong := 0.003
	if day == usualChecks-1 {
		wrong = 0.014
	}
	r.take(id, wrong, 1)
}

// leave takes n points and leaves the run going on the bench, which stands at the next.
func (r *rig) leave(id int64, wrong float64, n int) {
	r.t.Helper()
	b := r.points(id, wrong, n)
	r.record(b)
	s := acquire.StandState{Calibration: id, Indicator: "left", Take: acquire.TakeSteady, State: acquire.StandBack, SteadyS: steadyToTake, WithinMM: 0.1, Stored: n}
	for i, p := range r.plan {
		point := acquire.StandPoint{Run: p.Run, Direction: string(p.Direction), ReferenceMM: p.ReferenceMM}
		s.Points = append(s.Points, point)
		if i < n {
			s.Taken = append(s.Taken, acquire.StandTaken{StandPoint: point, ReadingMM: float64(b.Readings[i].Ticks) / 1000})
		}
	}
	s.Next, s.ShowsMM, s.ExpectedMM = &s.Points[n], new(s.Points[n].ReferenceMM+0.002), new(s.Points[n].ReferenceMM+0.003)
	s.BackToMM = new(s.Points[n].ReferenceMM - 0.2)
	s.Refused = &acquire.StandRefusal{Reason: acquire.RefusedOvershot, Detail: "the display was 0.031 mm beyond and came back: that hides what the indicator loses when it turns round", Fix: fmt.Sprintf("go back until the display shows %.3f, then come up to the point again", *s.BackToMM)}
	r.a.bench.set(func(b *acquire.Snapshot) { b.Stand = &s })
}
