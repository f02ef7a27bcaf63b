package store

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit/calibrate"

	"github.com/google/go-cmp/cmp"
)

func TestRegisterIsKept(t *testing.T) {
	ctx := context.Background()
	o := testOptions(t)
	s := open(t, o)
	dial, replayed, err := s.AddInstrument(ctx, dialRecord("left dial", "left"), "test", "k")
	if err != nil || replayed || dial.ID != 1 || dial.Revision != 1 || dial.State != LibraryKept || dial.Record.IntervalDays != DefaultIntervalDays || dial.Standing.State != StandingNone {
		t.Fatalf("%v %v %+v", err, replayed, dial)
	}
	if again, replayed, err := s.AddInstrument(ctx, dialRecord("left dial", "left"), "test", "k"); err != nil || !replayed || again.ID != 1 {
		t.Errorf("the same twice under one key: %v %v %d", err, replayed, again.ID)
	}
	if _, _, err := s.AddInstrument(ctx, dialRecord("other", ""), "test", "k"); !errors.Is(err, ErrKeyReused) {
		t.Errorf("another under the key: %v", err)
	}
	for _, taken := range []InstrumentRecord{dialRecord("left dial", ""), dialRecord("x", "left")} {
		_, _, err := s.AddInstrument(ctx, taken, "test", "")
		if by, ok := errors.AsType[*TakenError](err); !ok || by.By != 1 || !errors.Is(err, ErrTaken) {
			t.Errorf("%+v: %v", taken, err)
		}
	}
	record := dial.Record
	record.Notes = "the stem was bent"
	for range 2 { // the second changes nothing
		if i := must[Instrument](t)(s.UpdateInstrument(ctx, 1, InstrumentPatch{Record: &record})); i.Revision != 2 || i.Record.Notes != record.Notes {
			t.Errorf("%+v", i)
		}
	}
	must[Instrument](t)(s.UpdateInstrument(ctx, 1, InstrumentPatch{State: new(LibraryRetired)}))
	addInstrument(t, s, dialRecord("left dial", "left")) // its name is free now
	if _, err := s.UpdateInstrument(ctx, 1, InstrumentPatch{State: new(LibraryKept)}); !errors.Is(err, ErrTaken) {
		t.Errorf("two of one name: %v", err)
	}
	other := headRecord("left dial")
	if _, err := s.UpdateInstrument(ctx, 1, InstrumentPatch{Record: &other}); !errors.Is(err, ErrInvalid) {
		t.Errorf("a dial became a head: %v", err)
	}
	if _, err := s.UpdateInstrument(ctx, 99, InstrumentPatch{}); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	s.Close()
	s = open(t, o)
	list, next, err := s.Instruments(ctx, Page{Limit: 1})
	if err != nil || len(list) != 1 || next == nil || list[0].State != LibraryRetired || list[0].Record.Notes != record.Notes {
		t.Errorf("%v %+v", err, list)
	}
	verifyOK(t, s)
}

func TestBadRecords(t *testing.T) {
	for want, spoil := range map[string]func(*InstrumentRecord){
		"kind": func(r *InstrumentRecord) { r.Kind = "scale" }, "name": func(r *InstrumentRecord) { r.Name = " " },
		"notes": func(r *InstrumentRecord) { r.Notes = strings.Repeat("x", 4001) }, "range_mm": func(r *InstrumentRecord) { r.RangeMM = -1 },
		"resolution_mm": func(r *InstrumentRecord) { r.ResolutionMM = 20 }, "interval_days": func(r *InstrumentRecord) { r.IntervalDays = -1 },
		"u95_mm": func(r *InstrumentRecord) { r.U95MM = new(-0.1) }, "limits_mm/total": func(r *InstrumentRecord) { r.LimitsMM = map[string]float64{"total": 0} },
		"limits_mm/colour": func(r *InstrumentRecord) { r.LimitsMM = map[string]float64{"colour": 1} },
	} {
		r := dialRecord("x", "")
		if p := r.Problems(); len(p) > 0 {
			t.Fatal(p)
		}
		spoil(&r)
		if p := r.Problems(); len(p) != 1 || p[0].Key != want || p[0].Detail == "" || p[0].Fix == "" || !errors.Is(p, ErrInvalid) {
			t.Errorf("%s: %+v", want, p)
		}
	}
}

// What no calibration can be evaluated with is not kept of an instrument, nor of
// the conditions: it would show only once all points are taken.
func TestBeyondAllMeasure(t *testing.T) {
	for want, spoils := range map[string][]func(*InstrumentRecord){
		"name":            {func(r *InstrumentRecord) { r.Name = "a\x00b" }, func(r *InstrumentRecord) { r.Name = "a\nb" }, func(r *InstrumentRecord) { r.Name = "a\ufffd" }, func(r *InstrumentRecord) { r.Name = " left" }},
		"range_mm":        {func(r *InstrumentRecord) { r.RangeMM = 1e308 }},
		"resolution_mm":   {func(r *InstrumentRecord) { r.ResolutionMM = 1e-320 }},
		"u95_mm":          {func(r *InstrumentRecord) { r.U95MM = new(20_000.0) }},
		"u95_per_m_mm":    {func(r *InstrumentRecord) { r.U95PerMMM = 1e308 }},
		"limits_mm/total": {func(r *InstrumentRecord) { r.LimitsMM = map[string]float64{"total": 20_000} }},
	} {
		for i, spoil := range spoils {
			r := dialRecord("x", "")
			r.Notes = "two\n\tlines"
			spoil(&r)
			if p := r.Problems(); len(p) != 1 || p[0].Key != want {
				t.Errorf("%s %d: %+v", want, i, p)
			}
		}
	}
	s := open(t, testOptions(t))
	dial := addInstrument(t, s, dialRecord("dial", "left"))
	for want, c := range map[string]CalibrationConditions{
		"temperature_c":     {TemperatureC: new(205.0)},
		"temperature_u95_c": {TemperatureU95C: new(-1.0)},
		"soak_min":          {SoakMin: new(-5.0)},
		"measured_by":       {MeasuredBy: strings.Repeat("x", 121)},
		"notes":             {Notes: "\x00"},
	} {
		_, _, err := s.CreateCalibration(context.Background(), NewCalibration{Instrument: dial.ID, Kind: KindCalibration, Conditions: c})
		if p, ok := errors.AsType[RecordProblems](err); !ok || len(p) != 1 || p[0].Key != want || p[0].Detail == "" || p[0].Fix == "" {
			t.Errorf("%s: %v", want, err)
		}
	}
}

// Points are read off the stream they stand on; what is taken back stays.
func TestCalibrationIsKept(t *testing.T) {
	ctx := context.Background()
	o := testOptions(t)
	s := open(t, o)
	head, dial := addInstrument(t, s, headRecord("head")), addInstrument(t, s, dialRecord("dial", "left"))
	ask := NewCalibration{Instrument: dial.ID, Reference: head.ID, Kind: KindCalibration, IdempotencyKey: "k", Conditions: CalibrationConditions{MeasuredBy: "A"},
		Plan: CalibrationPlan{Scheme: "own", Points: []PlanPoint{{1, calibrate.Up, 0}}}}
	cal := takeCalibration(t, s, ask)
	if cal.State != CalibrationEnded || cal.EndedAt == nil || cal.Conditions.MeasuredBy != "A" || !cmp.Equal(cal.Plan, ask.Plan) || cal.Simulated {
		t.Errorf("%+v", cal)
	}
	p := cal.Points[3]
	if len(cal.Points) != 10 || p.ReadingMM != 3.003 || p.ErrorMM() != 0.003 || p.Raw != "+3.003" || p.Indicator != "left" || p.Direction != calibrate.Up || p.At.IsZero() || p.Stream != 1 || p.Seq != 4 {
		t.Errorf("%+v", cal.Points)
	}
	if !cal.Points[9].TakenBack || len(cal.Counted()) != 9 {
		t.Errorf("taken back: %+v", cal.Points[9])
	}
	if _, replayed, err := s.CreateCalibration(ctx, NewCalibration{Instrument: dial.ID, Reference: head.ID, Kind: KindCalibration, IdempotencyKey: "k", Conditions: ask.Conditions, Plan: ask.Plan}); err != nil || !replayed {
		t.Errorf("the same twice: %v %v", replayed, err)
	}
	late := acquire.Batch{Points: []acquire.CalibrationPoint{{Calibration: cal.ID, Run: 1, Direction: "up", Stream: 1, Seq: 1}}}
	if _, err := s.Record(ctx, late); !errors.Is(err, acquire.ErrRefused) || !errors.Is(err, ErrCalibrationEnded) {
		t.Errorf("a point after the end: %v", err)
	}
	must[Calibration](t)(s.TakeBackPoint(ctx, cal.ID, cal.Points[0].ID, "test"))
	if again := must[Calibration](t)(s.TakeBackPoint(ctx, cal.ID, cal.Points[0].ID, "test")); len(again.Counted()) != 8 || countRows(t, s, "calibration_event") != 3 {
		t.Errorf("taken back twice: %d count, %d events", len(again.Counted()), countRows(t, s, "calibration_event"))
	}
	if _, err := s.TakeBackPoint(ctx, cal.ID, 99, "test"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	left, _, err := s.CreateCalibration(ctx, NewCalibration{Instrument: dial.ID, Kind: KindCheck})
	if err != nil || left.State != CalibrationRunning || left.Reference != 0 {
		t.Fatalf("%v %+v", err, left)
	}
	s.Close()
	s = open(t, o)
	if c := must[Calibration](t)(s.Calibration(ctx, left.ID)); c.State != CalibrationUnfinished {
		t.Errorf("after the program stopped: %+v", c)
	}
	if c := must[Calibration](t)(s.EndCalibration(ctx, left.ID, "given up", "test")); c.State != CalibrationEnded || c.Cause != "given up" {
		t.Errorf("ended: %+v", c)
	}
	list, _, err := s.Calibrations(ctx, dial.ID, Page{})
	if err != nil || len(list) != 2 || list[0].Points != nil {
		t.Errorf("%v %+v", err, list)
	}
	verifyOK(t, s)
}

func TestWhatCannotBeCalibrated(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	head, dial, gone := addInstrument(t, s, headRecord("head")), addInstrument(t, s, dialRecord("dial", "")), addInstrument(t, s, dialRecord("gone", ""))
	old := addInstrument(t, s, headRecord("old head"))
	for _, id := range []int64{gone.ID, old.ID} {
		must[Instrument](t)(s.UpdateInstrument(ctx, id, InstrumentPatch{State: new(LibraryRetired)}))
	}
	for _, row := range []struct {
		ask  NewCalibration
		want error
	}{
		{NewCalibration{Instrument: 99, Kind: KindCheck}, ErrNotFound}, {NewCalibration{Instrument: dial.ID, Reference: 99, Kind: KindCheck}, ErrNotFound},
		{NewCalibration{Instrument: dial.ID, Kind: "look"}, ErrInvalid}, {NewCalibration{Instrument: head.ID, Kind: KindCheck}, ErrInvalid},
		{NewCalibration{Instrument: dial.ID, Reference: dial.ID, Kind: KindCheck}, ErrInvalid}, {NewCalibration{Instrument: gone.ID, Kind: KindCheck}, ErrInvalid},
		{NewCalibration{Instrument: dial.ID, Reference: old.ID, Kind: KindCheck}, ErrInvalid},
	} {
		if _, _, err := s.CreateCalibration(ctx, row.ask); !errors.Is(err, row.want) {
			t.Errorf("%+v: %v", row.ask, err)
		}
	}
	if n := countRows(t, s, "calibration"); n != 0 {
		t.Errorf("%d were kept", n)
	}
}

func TestCertificateIsFrozen(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	dial, other := addInstrument(t, s, dialRecord("dial", "")), addInstrument(t, s, dialRecord("other", ""))
	cal := takeCalibration(t, s, NewCalibration{Instrument: dial.ID})
	check := takeCalibration(t, s, NewCalibration{Instrument: dial.ID, Kind: KindCheck})
	runs, _, err := s.CreateCalibration(ctx, NewCalibration{Instrument: dial.ID, Kind: KindCalibration})
	if err != nil {
		t.Fatal(err)
	}
	never := func(int64, int64, time.Time) ([]byte, error) { t.Error("it was written"); return nil, nil }
	for _, row := range []struct {
		ask  NewCertificate
		want error
	}{
		{NewCertificate{Instrument: other.ID, Calibration: cal.ID}, ErrForeignCalibration}, {NewCertificate{Instrument: dial.ID, Calibration: check.ID}, ErrInvalid},
		{NewCertificate{Instrument: dial.ID, Calibration: runs.ID}, ErrCalibrationRuns}, {NewCertificate{Instrument: dial.ID, Calibration: 99}, ErrNotFound},
		{NewCertificate{Instrument: 99, Calibration: cal.ID}, ErrNotFound}, {NewCertificate{Instrument: dial.ID}, ErrInvalid}, {NewCertificate{Instrument: dial.ID, Job: 1}, ErrInvalid},
	} {
		if _, _, err := s.IssueCertificate(ctx, row.ask, never); !errors.Is(err, row.want) {
			t.Errorf("%+v: %v", row.ask, err)
		}
	}
	must[Calibration](t)(s.EndCalibration(ctx, runs.ID, "", "test"))
	if _, _, err := s.IssueCertificate(ctx, NewCertificate{Instrument: dial.ID, Calibration: runs.ID}, never); !errors.Is(err, ErrNoPoints) {
		t.Errorf("without points: %v", err)
	}
	for _, bad := range []string{"no JSON", `{"result":{"correction":[{"reading_mm":1},{"reading_mm":0}]}}`} {
		if _, _, err := s.IssueCertificate(ctx, NewCertificate{Instrument: dial.ID, Calibration: cal.ID}, func(int64, int64, time.Time) ([]byte, error) { return []byte(bad), nil }); !errors.Is(err, ErrInvalid) {
			t.Errorf("%s: %v", bad, err)
		}
	}
	due := s.o.now().AddDate(1, 0, 0)
	first, second := certify(t, s, cal, calibrate.Pass, &due), certify(t, s, cal, calibrate.Fail, &due)
	if first.Number != 1 || first.Version != 1 || second.Number != 2 || second.Version != 2 || second.Good() || !first.Good() || len(first.Correction) != 2 || first.Hash == second.Hash {
		t.Errorf("%+v %+v", first, second)
	}
	list, _, err := s.Certificates(ctx, dial.ID, Page{})
	if err != nil || len(list) != 2 || list[0].Document != nil || list[1].Overall != calibrate.Fail {
		t.Errorf("%v %+v", err, list)
	}
	if c := must[Certificate](t)(s.Certificate(ctx, 1)); string(c.Document) != string(first.Document) {
		t.Errorf("%s", c.Document)
	}
	if _, err := s.Certificate(ctx, 3); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	checks, err := s.Checks(ctx, dial.ID)
	if err != nil || len(checks) != 9 || checks[1].DeviationMM != 0.001 || checks[0].Calibration != check.ID {
		t.Errorf("%v %+v", err, checks)
	}
	if i := must[Instrument](t)(s.Instrument(ctx, dial.ID)); i.Standing.State != StandingFailed || i.Standing.Certificate.Number != 2 || i.Standing.LastCheckAt == nil {
		t.Errorf("%+v", i.Standing)
	}
	if !slices.Equal(calibrationStates(s, first), []string{StandingInForce, StandingDueSoon, StandingExpired}) {
		t.Errorf("%q", calibrationStates(s, first))
	}
	verifyOK(t, s)
}

// calibrationStates are those by a certificate now, a week before it is due and a day after.
func calibrationStates(s *Store, c Certificate) (states []string) {
	for _, days := range []int{0, 358, 366} {
		states = append(states, stateAt(c.Good(), c.DueAt, s.o.now().AddDate(0, 0, days)))
	}
	return states
}
