package store

import (
	"context"
	"fmt"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
)

// pressing is an indicator that sends a line at each press; a press each
// millisecond, which by its stamps are two seconds apart.
type pressing struct{ n int64 }

func (p *pressing) Open(context.Context) error { return nil }
func (p *pressing) Close() error               { return nil }
func (p *pressing) Node() string               { return "here" }
func (p *pressing) Identity() string           { return "usb-9" }

func (p *pressing) Read() (acquire.Heard, error) {
	time.Sleep(time.Millisecond)
	p.n++
	um := pressedUM(int(p.n) - 1)
	raw := fmt.Appendf(nil, "%d", um)
	return acquire.Heard{Bytes: len(raw), Readings: []acquire.Reading{{AtNS: p.n * 2e9, Ticks: um, Decimals: 3, Unit: acquire.UnitMM, Raw: raw}}}, nil
}

// pressedUM is what it shows at the point i of the plan: 0.1 mm a point, and 7 µm.
func pressedUM(i int) int64 { return int64(100*i + 7) }

func longPlan() (plan CalibrationPlan) {
	for i := range 1400 {
		plan.Points = append(plan.Points, PlanPoint{Run: 1, Direction: calibrate.Up, ReferenceMM: float64(i) / 10})
	}
	return plan
}

func standPoints(plan CalibrationPlan) (points []acquire.StandPoint) {
	for _, p := range plan.Points {
		points = append(points, acquire.StandPoint{Run: p.Run, Direction: string(p.Direction), ReferenceMM: p.ReferenceMM})
	}
	return points
}

// standForever says "ledger calibration points" as each point is acknowledged.
func standForever(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, Options{Path: path, Software: "child"})
	if err != nil {
		return err
	}
	i, _, err := s.AddInstrument(ctx, dialRecord("dial", "left"), "test", "")
	if err != nil {
		return err
	}
	cal, _, err := s.CreateCalibration(ctx, NewCalibration{Instrument: i.ID, Kind: KindCalibration, Plan: longPlan(), Actor: "test"})
	if err != nil {
		return err
	}
	cfg := acquire.Config{Name: "bench", Sweep: acquire.DefaultSweepConfig(),
		Encoder:    acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Format: acquire.FormatMarks, Direction: 1},
		Indicators: []acquire.InstrumentConfig{{Kind: acquire.KindIndicator, Name: "left", Port: "pedal", Direction: 1, Unit: "mm"}}}
	b, err := acquire.NewBench(cfg, s, acquire.Resume{}, acquire.Options{Now: s.Clock(), Open: func([]acquire.InstrumentConfig) acquire.Source { return &pressing{} },
		OnEvent: func(e acquire.Event) {
			if e.Stand != nil && e.Stand.What == acquire.StandTook {
				fmt.Println(s.Stats().HeadLedger, e.Stand.Calibration, e.Stand.Stored)
			}
		}})
	if err != nil {
		return err
	}
	go func() {
		_, err = b.BeginStand(ctx, acquire.BeginStand{Calibration: cal.ID, Indicator: "left", Points: standPoints(cal.Plan), Take: acquire.TakeLine})
	}()
	return b.Run(ctx)
}

// A point that was acknowledged before SIGKILL is there, whole; the calibration
// is unfinished and can be taken up behind the points that are kept.
func TestCalibrationKilled(t *testing.T) {
	o := testOptions(t)
	_, id, points := killAfter(t, o.Path, "stand", 30)
	s := open(t, o)
	verifyOK(t, s)
	cal := must[Calibration](t)(s.Calibration(t.Context(), id))
	if cal.State != CalibrationUnfinished || int64(len(cal.Points)) < points {
		t.Fatalf("%d points acknowledged, %d kept, state %s", points, len(cal.Points), cal.State)
	}
	var taken []acquire.StandTaken
	plan := standPoints(cal.Plan)
	from := int64(0)
	for i, p := range cal.Points {
		if i == 0 {
			from = int64(p.ReadingMM*10 - 0.07 + 0.5)
		}
		if want := float64(pressedUM(i+int(from))) / 1000; p.ReferenceMM != plan[i].ReferenceMM || p.ReadingMM != want {
			t.Fatalf("point %d: %+v, want a reading of %g", i, p, want)
		}
		taken = append(taken, acquire.StandTaken{StandPoint: plan[i], ReadingMM: p.ReadingMM, Stream: p.Stream, Seq: p.Seq})
	}
	b, stop, err := eyeBench(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop() })
	must[acquire.StandState](t)(b.BeginStand(t.Context(), acquire.BeginStand{Calibration: id, Points: plan, Taken: taken, Again: true, Actor: "test"}))
	n := len(taken)
	must[acquire.StandState](t)(b.TakeStand(t.Context(), id, fmt.Sprintf("%.3f", float64(pressedUM(n+int(from)))/1000)))
	must[acquire.StandState](t)(b.TakeBackStand(t.Context(), id, "test"))
	must[acquire.StandState](t)(b.TakeBackStand(t.Context(), id, "test"))
	cal = must[Calibration](t)(s.Calibration(t.Context(), id))
	if cal.State != CalibrationRunning || len(cal.Points) != n+1 || !cal.Points[n].TakenBack || !cal.Points[n-1].TakenBack || cal.Points[n-2].TakenBack {
		t.Errorf("taken up: state %s, %d points, were %d", cal.State, len(cal.Points), n)
	}
	must[acquire.StandState](t)(b.EndStand(t.Context(), id, "test"))
	if cal = must[Calibration](t)(s.Calibration(t.Context(), id)); cal.State != CalibrationEnded {
		t.Errorf("ended: state %s", cal.State)
	}
	verifyOK(t, s)
}
