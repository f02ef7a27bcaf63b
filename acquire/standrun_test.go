package acquire

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// shows lets the indicator "left" show values at 20 Hz, moving to mm at 1 mm/s
// and standing there.
func (s *stand) shows(from, mm, seconds float64) {
	step := 0.05
	if mm < from {
		step = -0.05
	}
	say := func(v float64) {
		s.line("/dev/enc").say("0\r\n")
		s.line("/dev/left").say(fmt.Sprintf("%+.3f mm\r\n", v))
		time.Sleep(50 * time.Millisecond)
	}
	for v := from; (mm-v)*step > 0; v += step {
		say(v)
	}
	for range int(seconds * 20) {
		say(mm)
	}
	synctest.Wait()
}

func (s *stand) beginStand(w BeginStand) StandState {
	s.Helper()
	if w.Calibration == 0 {
		w.Calibration = 5
	}
	if w.Indicator == "" {
		w.Indicator = "left"
	}
	st, err := s.b.BeginStand(s.Context(), w)
	if err != nil {
		s.Fatal(err)
	}
	return st
}

// wantStand compares the run as it stands with "state taken/stored".
func (s *stand) wantStand(want string) *StandState {
	s.Helper()
	time.Sleep(300 * time.Millisecond) // the next batch, the next snapshot
	synctest.Wait()
	st := s.b.Snapshot().Stand
	if st == nil {
		st = &StandState{State: "none"}
	}
	if got := fmt.Sprintf("%s %d/%d", st.State, len(st.Taken), st.Stored); got != want {
		s.Errorf("the run is %q, want %q (refused: %v)", got, want, st.Refused)
	}
	return st
}

// wantPoints compares what counts of the points kept, readings and all.
func (s *stand) wantPoints(want ...string) {
	s.Helper()
	all := s.rec.all()
	raw := map[[2]int64]string{}
	for _, r := range all.Readings {
		raw[[2]int64{r.Stream, r.Seq}] = string(r.Raw)
	}
	var got []string
	for _, p := range all.Points {
		if !slices.ContainsFunc(all.Calibrated, func(e CalibrationEvent) bool {
			return e.Kind == CalibrationTakenBack && e.Stream == p.Stream && e.Seq == p.Seq && e.Calibration == p.Calibration
		}) {
			got = append(got, fmt.Sprintf("%d: %d %s %g: %s", p.Calibration, p.Run, p.Direction, p.ReferenceMM, raw[[2]int64{p.Stream, p.Seq}]))
		}
	}
	if !slices.Equal(got, want) {
		s.Errorf("points %q, want %q", got, want)
	}
	if f := s.rec.faults(); len(f) > 0 {
		s.Errorf("a store would refuse:\n%s", strings.Join(f, "\n"))
	}
}

func standBubble(t *testing.T, f func(*stand)) {
	inBubble(t, func(s *stand) {
		s.mute = true
		s.run()
		s.shows(0, 0, 0.5)
		f(s)
	})
}

// A whole run on a live display: points come by themselves, are on the disk with
// their raw digits before they count, and are told.
func TestStandTakesPoints(t *testing.T) {
	standBubble(t, func(s *stand) {
		s.beginStand(BeginStand{Points: points("u0 u1 d1")})
		s.wantStand("turn 0/0")
		s.shows(0, -0.3, 0.1)
		s.shows(-0.3, 0, 2)
		s.wantStand("turn 1/1")
		s.shows(0, 1.002, 2)
		st := s.wantStand("back 2/2") // the same place from above
		if st.Next.Direction != StandDown || st.BackToMM == nil || *st.BackToMM < 1.09 || st.ExpectedMM == nil || math.Abs(*st.ExpectedMM-1.002) > 1e-9 {
			t.Errorf("state %+v", st)
		}
		s.shows(1.002, 1.3, 0.1)
		s.shows(1.3, 1.004, 2)
		s.wantStand("complete 3/3")
		s.wantNotice("encoder_stands", "") // it need not turn
		s.wantPoints("5: 1 up 0: +0.000 mm", "5: 1 up 1: +1.002 mm", "5: 1 down 1: +1.004 mm")
		if _, err := s.b.TakeStand(s.Context(), 5, ""); !errors.Is(err, ErrAllTaken) {
			t.Errorf("one more: %v", err)
		}
		if _, err := s.b.EndStand(s.Context(), 5, "test"); err != nil {
			t.Error(err)
		}
		s.wantStand("none 0/0")
		var told []string
		for _, e := range s.events {
			if e.Stand != nil {
				told = append(told, fmt.Sprint(e.Stand.What, e.Stand.Stored))
			}
		}
		if got := strings.Join(told, " "); got != "begun0 taken1 taken2 taken3 ended3" {
			t.Errorf("told %s", got)
		}
		if c := s.rec.all().Calibrated; len(c) != 1 || c[0].Kind != CalibrationEnded || c[0].Actor != "test" {
			t.Errorf("events %+v", c)
		}
	})
}

// An indicator that is unplugged pauses the run; nothing is lost, and how the
// plunger moved meanwhile is not guessed.
func TestStandUnplugged(t *testing.T) {
	standBubble(t, func(s *stand) {
		s.beginStand(BeginStand{Points: points("u0 u1 u2")})
		s.shows(0, -0.3, 0.1)
		s.shows(-0.3, 0, 2)
		s.shows(0, 1, 2)
		s.wantStand("turn 2/2")
		s.line("/dev/left").unplug()
		s.wait(3)
		s.wantStand("paused 2/2")
		if _, err := s.b.TakeStand(s.Context(), 5, ""); !errors.Is(err, ErrNotLive) {
			t.Errorf("unplugged: %v", err)
		}
		s.line("/dev/left").plug()
		s.wait(1)
		s.shows(1.3, 1.3, 1) // it lost its zero, or somebody has turned it
		if st := s.wantStand("turn 2/2"); st.Refused == nil || st.Refused.Reason != RefusedZero {
			t.Errorf("state %+v", st)
		}
		s.shows(1.3, 2, 0.1)
		s.line("/dev/left").unplug()
		s.wait(1)
		s.line("/dev/left").plug()
		s.wait(1)
		s.shows(2, 2, 3)
		if st := s.wantStand("back 2/2"); st.Refused == nil || st.Refused.Reason != RefusedApproach {
			t.Errorf("state %+v", st)
		}
		s.shows(2, 1.7, 0.2)
		s.shows(1.7, 2.001, 2)
		s.wantStand("complete 3/3")
		s.wantPoints("5: 1 up 0: +0.000 mm", "5: 1 up 1: +1.000 mm", "5: 1 up 2: +2.001 mm")
	})
}

// What a person calls: take, take back, a typed display.
func TestStandByCall(t *testing.T) {
	standBubble(t, func(s *stand) {
		s.beginStand(BeginStand{Points: points("u0 u1 r1"), Take: TakeCall})
		s.shows(0, 4, 0.1)
		if _, err := s.b.TakeStand(s.Context(), 5, ""); !errors.Is(err, ErrUnsteady) {
			t.Errorf("moving: %v", err)
		}
		s.shows(4, 4, 1)
		for i, c := range []struct{ from, mm float64 }{{4, 4}, {4, 5.001}} {
			s.shows(c.from, c.mm, 1)
			if st, err := s.b.TakeStand(s.Context(), 5, ""); err != nil || len(st.Taken) != i+1 || len(s.rec.all().Points) != i+1 {
				t.Errorf("%v %+v", err, st)
			}
		}
		s.shows(5.001, 5.001, 1)
		var why *StandRefusal
		if _, err := s.b.TakeStand(s.Context(), 5, ""); !errors.As(err, &why) || !errors.Is(err, ErrNotTaken) || why.Reason != RefusedNotLeft {
			t.Errorf("not left: %v", err)
		}
		if st, err := s.b.TakeBackStand(s.Context(), 5, "test"); err != nil || len(st.Taken) != 1 || st.Next.Direction != StandUp {
			t.Errorf("%v %+v", err, st)
		}
		s.wantPoints("5: 1 up 0: +4.000 mm")
		s.shows(5.001, 4.5, 0.1)
		s.shows(4.5, 5.002, 1)
		if _, err := s.b.TakeStand(s.Context(), 5, ""); err != nil {
			t.Error(err)
		}
		s.wantPoints("5: 1 up 0: +4.000 mm", "5: 1 up 1: +5.002 mm")
	})
}

func TestStandTyped(t *testing.T) {
	standBubble(t, func(s *stand) {
		s.beginStand(BeginStand{Points: points("u0 u1 d1"), Indicator: PlainDial})
		s.wantStand("press 0/0")
		for _, c := range []struct{ text, want string }{
			{"", "type what it shows"}, {"ten", "no plain number"}, {"500", "beyond the travel"}, {"0,02", ""}, {"10.2", "is expected"}, {"1.021", ""}, {"0.0403 in", ""},
		} {
			_, err := s.b.TakeStand(s.Context(), 5, c.text)
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("%q: %v, want %q", c.text, err, c.want)
			}
		}
		s.wantStand("complete 3/3")
		s.wantPoints("5: 1 up 0: 0,02", "5: 1 up 1: 1.021", "5: 1 down 1: 0.0403 in")
	})
}

// A pedal's lines are points; the indicator is never silent for it.
func TestStandPedal(t *testing.T) {
	standBubble(t, func(s *stand) {
		s.beginStand(BeginStand{Points: points("u0 u1"), Take: TakeLine})
		s.wait(4)
		s.wantStand("turn 0/0")
		for _, mm := range []string{"+0.100", "+1.102"} {
			s.line("/dev/left").say(mm + " mm\r\n")
			s.wait(3)
		}
		s.wantStand("complete 2/2")
		s.wantPoints("5: 1 up 0: +0.100 mm", "5: 1 up 1: +1.102 mm")
	})
}

// After a restart the run is taken up behind the points that were kept.
func TestStandGoesOn(t *testing.T) {
	standBubble(t, func(s *stand) {
		plan := points("u0 u1 u2")
		taken := []StandTaken{{StandPoint: plan[0], ReadingMM: 0.1, Stream: 77, Seq: 1}, {StandPoint: plan[1], ReadingMM: 1.1, Stream: 77, Seq: 2}}
		st := s.beginStand(BeginStand{Points: plan, Taken: taken, Again: true, Actor: "test"})
		if st.Stored != 2 || st.Next == nil || *st.Next != plan[2] {
			t.Errorf("state %+v", st)
		}
		if again := s.beginStand(BeginStand{Points: plan}); len(again.Taken) != 2 {
			t.Errorf("begun twice: %+v", again)
		}
		s.shows(0, 2.099, 2)
		s.wantStand("complete 3/3")
		for range 2 {
			if _, err := s.b.TakeBackStand(s.Context(), 5, "test"); err != nil {
				t.Error(err)
			}
		}
		if c := s.rec.all().Calibrated; len(c) != 3 || c[0].Kind != CalibrationTakenUp || c[2].Stream != 77 || c[2].Seq != 2 {
			t.Errorf("taken back: %+v", c)
		}
	})
}

// A display that had hung and then jumps: what was taken meanwhile is taken back,
// by the bench, and said.
func TestStandHung(t *testing.T) {
	standBubble(t, func(s *stand) {
		s.beginStand(BeginStand{Points: points("u0 u1 u2")})
		s.shows(0, -0.3, 0.1)
		s.shows(-0.3, 0, 2)
		s.shows(0, 0.96, 2)
		s.wantStand("turn 2/2")
		s.shows(0.96, 0.96, 0.2)
		s.shows(1.6, 1.9, 0.1)
		if st := s.wantStand("back 1/1"); st.Refused == nil || st.Refused.Reason != RefusedStuck {
			t.Errorf("state %+v", st)
		}
		s.wantPoints("5: 1 up 0: +0.000 mm")
		if c := s.rec.all().Calibrated; len(c) != 1 || c[0].Actor != actorBench {
			t.Errorf("events %+v", c)
		}
	})
}
