package store

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
)

func dialRecord(name, bench string) InstrumentRecord {
	return InstrumentRecord{Kind: RegisterIndicator, Name: name, BenchName: bench, SerialNumber: "4711", RangeMM: 12.5, ResolutionMM: 0.001,
		LimitsMM: map[string]float64{calibrate.Total: 0.01}}
}

func headRecord(name string) InstrumentRecord {
	return InstrumentRecord{Kind: RegisterHead, Name: name, CertificateNumber: "K-17", U95MM: new(0.001)}
}

func addInstrument(t testing.TB, s *Store, r InstrumentRecord) Instrument {
	t.Helper()
	i, replayed, err := s.AddInstrument(context.Background(), r, "test", "")
	if err != nil || replayed {
		t.Fatal(err, replayed)
	}
	return i
}

// takeCalibration begins a calibration whose points are read off a stream of
// their own: up and down over five places, readings 1 µm too long at each mm.
func takeCalibration(t testing.TB, s *Store, n NewCalibration) Calibration {
	t.Helper()
	ctx := context.Background()
	n.Actor = "test"
	if n.Kind == "" {
		n.Kind = KindCalibration
	}
	cal, _, err := s.CreateCalibration(ctx, n)
	if err != nil {
		t.Fatal(err)
	}
	res := must[acquire.Resume](t)(s.Resume(ctx))
	b := acquire.Batch{Streams: []acquire.StreamOpened{{ID: res.LastStream + 1, Kind: acquire.KindIndicator, Name: "left", Port: "/dev/i", Identity: "usb-9",
		ConfigJSON: configJSON(t, indicatorConfig())}}}
	for i, mm := range []int64{0, 1, 2, 3, 4, 4, 3, 2, 1, 0} {
		direction, seq := "up", int64(i+1)
		if i >= 5 {
			direction = "down"
		}
		b.Readings = append(b.Readings, acquire.Reading{Stream: res.LastStream + 1, Seq: seq, AtNS: int64(i+1) * 1e9, Ticks: mm * 1001, Decimals: 3,
			Unit: acquire.UnitMM, Raw: fmt.Appendf(nil, "%+d.%03d", mm, mm)})
		b.Points = append(b.Points, acquire.CalibrationPoint{Calibration: cal.ID, Run: 1, Direction: direction, ReferenceMM: float64(mm), Stream: res.LastStream + 1, Seq: seq})
	}
	if _, err := s.Record(ctx, b); err != nil {
		t.Fatal(err)
	}
	back := acquire.Batch{Calibrated: []acquire.CalibrationEvent{{Calibration: cal.ID, Kind: acquire.CalibrationTakenBack, Stream: res.LastStream + 1, Seq: 10, Actor: "test"},
		{Calibration: cal.ID, Kind: acquire.CalibrationEnded, Actor: "test"}}}
	if _, err := s.Record(ctx, back); err != nil {
		t.Fatal(err)
	}
	return must[Calibration](t)(s.Calibration(ctx, cal.ID))
}

// certify issues a certificate that says overall and is due.
func certify(t testing.TB, s *Store, cal Calibration, overall string, due *time.Time) Certificate {
	t.Helper()
	c, _, err := s.IssueCertificate(context.Background(), NewCertificate{Instrument: cal.Instrument, Calibration: cal.ID, Actor: "test"}, saying(overall, due))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func saying(overall string, due *time.Time) func(int64, int64, time.Time) ([]byte, error) {
	return func(number, version int64, _ time.Time) ([]byte, error) {
		return json.Marshal(map[string]any{"number": number, "version": version, "overall": overall, "due_at": due,
			"result": map[string]any{"correction": []calibrate.Knot{{ReadingMM: 0}, {ReadingMM: 4.004, CorrectionMM: -0.004, U95MM: 0.002}}}})
	}
}

// fillRegister brings rows into every table of the register.
func fillRegister(t testing.TB, s *Store, round int) {
	t.Helper()
	ctx := context.Background()
	head := addInstrument(t, s, headRecord(fmt.Sprintf("head %d", round)))
	dial, _, err := s.AddInstrument(ctx, dialRecord(fmt.Sprintf("dial %d", round), fmt.Sprintf("left %d", round)), "test", fmt.Sprintf("key-%d", round))
	if err != nil {
		t.Fatal(err)
	}
	cal := takeCalibration(t, s, NewCalibration{Instrument: dial.ID, Reference: head.ID, IdempotencyKey: fmt.Sprintf("key-%d", round)})
	must[Calibration](t)(s.SetConditions(ctx, cal.ID, CalibrationConditions{TemperatureC: new(21.5)}, "test"))
	if _, _, err := s.IssueCertificate(ctx, NewCertificate{Instrument: dial.ID, Calibration: cal.ID, Actor: "test", IdempotencyKey: fmt.Sprintf("key-%d", round)}, saying(calibrate.Pass, nil)); err != nil {
		t.Fatal(err)
	}
	must[Instrument](t)(s.UpdateInstrument(ctx, head.ID, InstrumentPatch{State: new(LibraryRetired), Actor: "test"}))
}
