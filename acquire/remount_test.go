package acquire

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
)

// The adapter comes off and goes on again: the running sweep ends, a new mount
// begins with the next count, and its cause tells the angle.
func TestRemount(t *testing.T) {
	inBubble(t, func(s *stand) {
		ctx := context.Background()
		s.run()
		s.sel(1, 3)
		s.turn(100, 20)
		half := 180.0
		d, err := s.b.Remount(ctx, &half)
		if err != nil || d.Kind != DatumMount || d.Cause != "remount:180" {
			t.Fatalf("%+v, %v", d, err)
		}
		s.want("3 + remount")
		s.wantNotice("mount_new", "A new encoder mount begins: the encoder was mounted anew.")
		before := s.b.Snapshot().Encoder.Mount
		again, err := s.b.Remount(ctx, nil)
		if err != nil || again.Cause != "remount" || again.Number != d.Number+1 || before != d.Number {
			t.Errorf("%+v after mount %d, %v", again, before, err)
		}
		s.turn(-5, 10)
		s.wait(40)
		all := s.rec.all()
		for _, want := range []Datum{d, again} {
			if !slices.Contains(all.Data, want) {
				t.Errorf("%+v is not kept", want)
			}
		}
		if f := s.rec.faults(); len(f) > 0 {
			t.Error(f)
		}
		for _, bad := range []float64{361, math.NaN(), math.Inf(1)} {
			if _, err := s.b.Remount(ctx, &bad); err == nil {
				t.Errorf("turned by %g°", bad)
			}
		}
	})
}

// It is kept at once, a job selected or not.
func TestRemountBeforeAnyJob(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		d, err := s.b.Remount(context.Background(), nil)
		if err != nil || !slices.Contains(s.rec.all().Data, d) {
			t.Errorf("%+v is not kept, %v", d, err)
		}
	})
}

// An encoder that is not heard cannot begin a mount.
func TestRemountWithoutAnEncoder(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.line(s.cfg.Encoder.Port).unplug()
		s.run()
		if _, err := s.b.Remount(context.Background(), nil); !errors.Is(err, ErrNotLive) {
			t.Errorf("%v", err)
		}
	})
}

func TestTurnedDeg(t *testing.T) {
	for cause, want := range map[string]float64{"remount:0": 0, "remount:-90": -90, "remount:22.5": 22.5} {
		if deg, told := TurnedDeg(cause); !told || deg != want {
			t.Errorf("%s: %g %v", cause, deg, told)
		}
	}
	for _, cause := range []string{"remount", "start", "reconnect", "lost_counts", "remount:", "remount:x"} {
		if _, told := TurnedDeg(cause); told {
			t.Errorf("%q tells an angle", cause)
		}
	}
}
