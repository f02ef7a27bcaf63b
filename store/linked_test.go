package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit/calibrate"

	"github.com/google/go-cmp/cmp"
)

// What is plugged in is found by its identity, then by the bench's name; as the
// register had it when it was used, else as it has it now.
func TestWhatAStreamWasReadFrom(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	at := func() int64 { return s.Stats().HeadLedger }
	known := dialRecord("known", "left") // 1
	known.Identity = "usb-1"
	before := at()
	addInstrument(t, s, known)
	addInstrument(t, s, dialRecord("named", "right")) // 2
	encoder := dialRecord("encoder", "encoder")       // 3
	encoder.Kind, encoder.Identity = RegisterEncoder, "usb-3"
	addInstrument(t, s, encoder)
	then := at()
	must[Instrument](t)(s.UpdateInstrument(ctx, 2, InstrumentPatch{State: new(LibraryRetired)}))
	addInstrument(t, s, dialRecord("heir", "right")) // 4
	moved := known
	moved.Identity = "usb-new"
	must[Instrument](t)(s.UpdateInstrument(ctx, 1, InstrumentPatch{Record: &moved}))
	must[Instrument](t)(s.UpdateInstrument(ctx, 1, InstrumentPatch{State: new(LibraryRetired)}))
	end := at()
	r := must[*register](t)(loadRegister(ctx, s.readers))
	for _, row := range []struct {
		identity, name string
		ledger, want   int64
	}{
		{"usb-1", "left", then, 1}, {"usb-1", "anything", then, 1}, {"", "left", then, 0}, // it states an identity: its name says nothing
		{"", "right", then, 2}, {"usb-other", "right", then, 2}, {"usb-3", "left", then, 0}, // an encoder is no indicator
		{"", "right", before, 4},                              // registered after it was used: as it stands now
		{"usb-new", "left", before, 1}, {"", "right", end, 4}, // retired
		{"usb-new", "left", end, 1}, // retired, but it is the one
		{"usb-1", "left", end, 0}, {"usb-9", "x", end, 0},
	} {
		e, _ := r.of(acquire.KindIndicator, row.identity, row.name, row.ledger)
		if e == nil {
			e = &entry{}
		}
		if e.id != row.want {
			t.Errorf("%q named %q at ledger %d: instrument %d, want %d", row.identity, row.name, row.ledger, e.id, row.want)
		}
	}
	if e, _ := r.of(acquire.KindEncoder, "usb-3", "", then); e == nil || e.id != 3 {
		t.Errorf("the encoder: %+v", e)
	}
}

// A real sweep takes no correction from a virtual bench.
func TestVirtualCertificatesStayThere(t *testing.T) {
	l := live(t, "R+S")
	if _, _, err := l.s.IssueCertificate(context.Background(), NewCertificate{Instrument: l.dial, Calibration: 1}, func(int64, int64, time.Time) ([]byte, error) {
		return []byte(`{"overall":"fail","simulated":true}`), nil
	}); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"in_force 1"}, toldAll(t, l.s, l.input())); diff != "" {
		t.Error(diff)
	}
}

// An encoder that failed is followed by the streams that it was.
func TestWhatAnEncoderTouched(t *testing.T) {
	ctx := context.Background()
	l := live(t, "SS") // swept with an encoder of this identity
	record := InstrumentRecord{Kind: RegisterEncoder, Name: "encoder", Identity: "usb-1"}
	encoder := addInstrument(t, l.s, record)
	other := addInstrument(t, l.s, InstrumentRecord{Kind: RegisterEncoder, Name: "other", Identity: "usb-2"})
	for _, i := range []int64{encoder.ID, other.ID} {
		if _, _, err := l.s.IssueCertificate(ctx, NewCertificate{Instrument: i, Job: l.job}, saying(calibrate.Fail, nil)); err != nil {
			t.Fatal(err)
		}
	}
	if got := must[Touched](t)(l.s.Touched(ctx, encoder.ID)); len(got.Jobs) != 1 || !slices.Equal(got.Jobs[0].Sweeps, []int64{1, 2}) {
		t.Errorf("%+v", got)
	}
	if got := must[Touched](t)(l.s.Touched(ctx, other.ID)); len(got.Jobs) != 0 || got.Failed == nil {
		t.Errorf("%+v", got)
	}
	if _, err := l.s.EncoderStanding(ctx, other.ID, l.job, 0); err == nil || !strings.Contains(err.Error(), "was swept with instrument 1") {
		t.Errorf("%v", err)
	}
	st := must[EncoderStanding](t)(l.s.EncoderStanding(ctx, encoder.ID, l.job, 0))
	if len(st.Input.Sweeps) != 2 || st.Instrument.ID != encoder.ID || len(st.Pulses) != 0 {
		t.Errorf("%d sweeps, %+v, %v", len(st.Input.Sweeps), st.Instrument, st.Pulses)
	}
}

// Index pulses are told where an encoder's lines tell of them, between the two
// readings that they came between.
func TestPulsesOfAnEncoder(t *testing.T) {
	ctx := context.Background()
	s := open(t, testOptions(t))
	job := newJob(t, s).ID
	addInstrument(t, s, InstrumentRecord{Kind: RegisterEncoder, Name: "encoder", BenchName: "encoder"})
	config := encoderConfig()
	config.Pattern, config.CountsPerRev = `^(?P<count>\d+)(?P<status>Z)?$`, 360
	b := acquire.Batch{
		Streams: []acquire.StreamOpened{{ID: 1, Kind: acquire.KindEncoder, Name: "encoder", ConfigJSON: configJSON(t, config)}, {ID: 2, Kind: acquire.KindIndicator, Name: "left", ConfigJSON: configJSON(t, indicatorConfig())}},
		Data:    []acquire.Datum{{ID: 1, Stream: 1, FromSeq: 1, Kind: acquire.DatumMount, Number: 4}},
		Begins:  []acquire.SweepBegin{{ID: 1, Job: job, Cylinder: 1, Indicator: "left", IndStream: 2, IndFrom: 1, EncStream: 1, EncFrom: 1, DetectorJSON: "{}"}},
		Ends:    []acquire.SweepEnd{{Sweep: 1, IndTo: 200, EncTo: 200, Direction: 1, Cause: "reversal", AtNS: 4e9}},
	}
	for n := int64(1); n <= 200; n++ { // 2° a reading; the pulse at 100°, told by the reading at 102°
		raw := fmt.Appendf(nil, "%d", 2*n)
		if n == 119 {
			continue // lost, so that nobody knows from where the next one's pulse came
		}
		if n == 51 || n == 120 {
			raw = append(raw, 'Z')
		}
		b.Readings = append(b.Readings, acquire.Reading{Stream: 1, Seq: n, AtNS: n * 20e6, Ticks: 2 * n, Unit: acquire.UnitCount, Raw: raw},
			acquire.Reading{Stream: 2, Seq: n, AtNS: n * 20e6, Ticks: n, Decimals: 3, Unit: acquire.UnitMM})
	}
	if _, err := s.Record(ctx, b); err != nil {
		t.Fatal(err)
	}
	st := must[EncoderStanding](t)(s.EncoderStanding(ctx, 1, job, 0))
	if diff := cmp.Diff([]calibrate.Pulse{{Mount: 4, FromDeg: 100, ToDeg: 102}}, st.Pulses); diff != "" {
		t.Error(diff)
	}
	if _, err := s.Record(ctx, acquire.Batch{Directions: []acquire.DirectionConfirmed{{Job: job, Sign: -1, EncStream: 1, EncSeq: 200}}}); err != nil {
		t.Fatal(err)
	}
	st = must[EncoderStanding](t)(s.EncoderStanding(ctx, 1, job, 0))
	if diff := cmp.Diff([]calibrate.Pulse{{Mount: 4, FromDeg: -100, ToDeg: -102}}, st.Pulses); diff != "" {
		t.Errorf("turned round: %s", diff)
	}
}

// What is touched is of the last time that it failed, not of a time before.
func TestTouchedTheLastTime(t *testing.T) {
	l := live(t, "R-S+S-S+S")
	got := must[Touched](t)(l.s.Touched(context.Background(), l.dial))
	if len(got.Jobs) != 1 || !slices.Equal(got.Jobs[0].Sweeps, []int64{2, 3}) || got.Failed.Version != 3 || got.Good.Version != 2 || !slices.Equal(got.Jobs[0].Reports, []int64{2, 3, 4}) {
		t.Errorf("%+v", got)
	}
	if again := must[Touched](t)(live(t, "R+SS").s.Touched(context.Background(), 1)); again.Failed != nil || len(again.Jobs) > 0 {
		t.Errorf("nothing failed: %+v", again)
	}
}
