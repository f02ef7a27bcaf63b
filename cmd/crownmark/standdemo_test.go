package main

import (
	"fmt"
	"math"
	"net/http"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit/pointcsv"
)

// ran is as much of a calibration's document as the test looks at.
type ran struct {
	State string
	Stand *struct {
		State   string
		Taken   int
		Refused *struct{ Reason string }
	}
}

// A whole calibration on the virtual bench: the hand sets the head as it is
// asked, passes a point now and then and is sent back; the first point is
// pressed, all others are taken by themselves. What comes out is the indicator's
// own error curve and hysteresis.
func TestCalibrationOnTheVirtualBench(t *testing.T) {
	t.Parallel()
	base := takePart(t)
	do := func(method, path string, body, into any) {
		t.Helper()
		if err := callAPI(t.Context(), method, base+path, "", body, into); err != nil {
			t.Fatal(err)
		}
	}
	do("POST", "/api/v1/instruments", map[string]any{"record": map[string]any{"kind": "head", "name": "head", "u95_mm": 0.001}}, nil)
	do("POST", "/api/v1/instruments", map[string]any{"record": map[string]any{"kind": "indicator", "name": "dial", "bench_name": "left", "range_mm": 8, "resolution_mm": 0.001}}, nil)
	var c struct{ ID int64 }
	do("POST", "/api/v1/calibrations", map[string]any{"instrument": 2, "reference": 1, "points_mm": []float64{0, 1, 2.7, 6.2, 8}, "steady_s": 0.5, "repeats": 3}, &c)
	refused := map[string]int{}
	tick, late := time.NewTicker(20*time.Millisecond), time.After(2*time.Minute)
	for {
		select {
		case <-tick.C:
		case <-late:
			t.Fatal("it does not come to an end")
		}
		var now ran
		do("GET", fmt.Sprintf("/api/v1/calibrations/%d", c.ID), nil, &now)
		switch {
		case now.Stand == nil:
			t.Fatalf("it does not run: %+v", now)
		case now.Stand.Refused != nil:
			refused[now.Stand.Refused.Reason]++
		}
		if now.Stand.State == acquire.StandComplete {
			break
		}
		if now.Stand.State == acquire.StandPress {
			do("POST", fmt.Sprintf("/api/v1/calibrations/%d/readings", c.ID), struct{}{}, nil)
		}
	}
	do("POST", fmt.Sprintf("/api/v1/calibrations/%d/end", c.ID), struct{}{}, nil)
	answer, err := http.Get(fmt.Sprintf("%s/api/v1/calibrations/%d/points.csv", base, c.ID))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	file, err := pointcsv.Read("points.csv", answer.Body)
	points := file.Points
	if err != nil || len(points) != 13 {
		t.Fatalf("%v: %d points", err, len(points))
	}
	faults := demoFaults()
	shows := func(mm float64, direction string) float64 { // on a head with 0.3 mm of preload
		half := -faults.HysteresisMM / 2
		if direction == acquire.StandDown {
			half = -half
		}
		return mm + 0.3 + half + faults.ErrorMM(mm+0.3+half)
	}
	zero := shows(0, acquire.StandUp) - points[0].ReadingMM
	for _, p := range points {
		// One step of the display, 0.3 µm of the hand and 1.4 µm of noise, of a median.
		if got, want := p.ReadingMM, shows(p.ReferenceMM, string(p.Direction))-zero; math.Abs(got-want) > 0.0025 {
			t.Errorf("%s at %g: %.4f, want %.4f", p.Direction, p.ReferenceMM, got, want)
		}
	}
	if refused["not_left"] == 0 {
		t.Errorf("nothing was refused where the head turned round: %v", refused)
	}
	t.Logf("refused, seen: %v", refused)
}
