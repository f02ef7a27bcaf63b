package acquire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
)

// What cannot be is refused with words.
func TestStandRefuses(t *testing.T) {
	standBubble(t, func(s *stand) {
		ok := points("u0 u1")
		for _, c := range []struct {
			w    BeginStand
			want error
		}{
			{BeginStand{}, ErrMisread}, {BeginStand{Calibration: 1}, ErrMisread},
			{BeginStand{Calibration: 1, Points: []StandPoint{{Run: 1, Direction: "in"}}}, ErrMisread},
			{BeginStand{Calibration: 1, Points: []StandPoint{{Run: 0, Direction: "up"}}}, ErrMisread},
			{BeginStand{Calibration: 1, Points: []StandPoint{{Run: 1 << 62, Direction: "up"}}}, ErrMisread},
			{BeginStand{Calibration: 1, Points: points("u500")}, ErrMisread},
			{BeginStand{Calibration: 1, Points: ok, Take: "often"}, ErrMisread},
			{BeginStand{Calibration: 1, Points: ok, SteadyS: 0.1}, ErrMisread},
			{BeginStand{Calibration: 1, Points: ok, WithinMM: -1}, ErrMisread},
			{BeginStand{Calibration: 1, Points: ok, Taken: []StandTaken{{StandPoint: ok[1]}}}, ErrMisread},
			{BeginStand{Calibration: 1, Points: ok, Indicator: "right"}, ErrUnknownIndicator},
		} {
			if _, err := s.b.BeginStand(s.Context(), c.w); !errors.Is(err, c.want) {
				t.Errorf("%+v: %v, want %v", c.w, err, c.want)
			}
		}
		s.sel(1, 3)
		if _, err := s.b.BeginStand(s.Context(), BeginStand{Calibration: 1, Points: ok, Indicator: "left"}); !errors.Is(err, ErrOnEngine) {
			t.Errorf("on an engine: %v", err)
		}
		s.sel(1, 0)
		s.beginStand(BeginStand{Points: ok})
		if _, err := s.b.BeginStand(s.Context(), BeginStand{Calibration: 6, Points: ok, Indicator: "left"}); !errors.Is(err, ErrStandBusy) {
			t.Errorf("another: %v", err)
		}
		for what, err := range map[string]error{
			"select": s.b.Select(context.Background(), Selection{Job: 1, Cylinders: map[string]int{"left": 3}}),
			"zero":   second(s.b.Zero(s.Context(), "left", "deck")),
			"hand":   second(s.b.BeginHand(s.Context(), BeginHand{Job: 1, Cylinder: 1, Direction: 1, Indicator: "left"})),
		} {
			if !errors.Is(err, ErrOnStand) {
				t.Errorf("%s: %v", what, err)
			}
		}
		if err := second(s.b.TakeStand(s.Context(), 9, "")); !errors.Is(err, ErrNoStand) {
			t.Error(err)
		}
		if err := second(s.b.TakeBackStand(s.Context(), 5, "")); !errors.Is(err, ErrNothingRead) {
			t.Error(err)
		}
	})
}

// A point that can never be stored ends the run: nothing is shown as taken that
// is not kept.
func TestStandGivenUp(t *testing.T) {
	standBubble(t, func(s *stand) {
		s.rec.fail = func(b Batch) error {
			if len(b.Points) > 0 {
				return fmt.Errorf("no such calibration: %w", ErrRefused)
			}
			return nil
		}
		s.beginStand(BeginStand{Points: points("u0 u1")})
		s.shows(0, -0.3, 0.1)
		s.shows(-0.3, 0, 2)
		s.wantStand("none 0/0")
		if last := s.events[len(s.events)-1]; !slices.ContainsFunc(s.events, func(e Event) bool { return e.Stand != nil && e.Stand.What == StandLost }) {
			t.Errorf("nothing told; last %+v", last)
		}
	})
}
