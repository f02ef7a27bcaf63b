package acquire

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
)

// handStand is a stand with what a person does.
func (s *stand) handBegin(w BeginHand) HandSweep {
	s.Helper()
	h, err := s.b.BeginHand(s.Context(), w)
	if err != nil {
		s.Fatal(err)
	}
	return h
}

func (s *stand) handRead(id int64, mark, height string) HandSweep {
	s.Helper()
	h, err := s.b.ReadHand(s.Context(), id, mark, height)
	if err != nil {
		s.Fatal(err)
	}
	return h
}

// A mark and what the live display shows there are one pair, kept with its raw
// digits when it is acknowledged; what is taken back stays kept.
func TestHandSweepWithALiveDisplay(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.cfg.Encoder = InstrumentConfig{Kind: KindEncoder, Format: FormatMarks, Direction: 1, AngleUDeg: 0.25}
		s.run()
		h := s.handBegin(BeginHand{Job: 7, Cylinder: 3, Indicator: "left", Direction: 1})
		for i, mark := range []string{"-12", "-10", "-8"} {
			s.deg = -12 + 2*float64(i)
			s.wait(1)
			h = s.handRead(h.ID, mark, "")
			if all := s.rec.all(); len(all.Readings) != 2*(i+1) {
				t.Fatalf("acknowledged with %d readings kept: %+v", len(all.Readings), all.Readings)
			}
		}
		if _, err := s.b.TakeBackHand(s.Context(), h.ID); err != nil {
			t.Fatal(err)
		}
		s.handRead(h.ID, "-8.5", "")
		if h, err := s.b.EndHand(s.Context(), h.ID); err != nil || len(h.Taken) != 3 || h.Taken[2].MarkDeg != -8.5 || h.AngleUDeg != 0.25 {
			t.Fatalf("%v %+v", err, h)
		}
		synctest.Wait()
		all := s.rec.all()
		if found := s.rec.faults(); len(found) > 0 {
			t.Error(found)
		}
		if len(all.Readings) != 8 || len(all.Gaps) != 2 || all.Gaps[0].Reason != ReasonTakenBack || all.Gaps[0].AfterSeq != 2 || all.Gaps[0].N != 1 {
			t.Errorf("kept %d readings, gaps %+v", len(all.Readings), all.Gaps)
		}
		for i := 0; i < len(all.Readings); i += 2 {
			a, h := all.Readings[i], all.Readings[i+1]
			if a.AtNS != h.AtNS || a.Seq != h.Seq || a.Unit != UnitDegree || len(h.Raw) == 0 || h.Unit != UnitMM {
				t.Errorf("pair %+v %+v", a, h)
			}
		}
		if e := all.Ends[0]; e.Cause != CauseDone || e.Direction != 1 || e.IndTo != 4 {
			t.Errorf("end %+v", e)
		}
	})
}

// Nothing is taken while the display moves, or does not speak.
func TestHandSweepWaitsForAStillDisplay(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.deg = -20
		s.run()
		h := s.handBegin(BeginHand{Job: 1, Cylinder: 3, Indicator: "left", Direction: 1})
		s.turn(3, 3)
		if _, err := s.b.ReadHand(s.Context(), h.ID, "-17", ""); !errors.Is(err, ErrUnsteady) {
			t.Errorf("while it moved: %v", err)
		}
		s.wait(1)
		s.handRead(h.ID, "-17", "")
		s.lines["/dev/left"].unplug()
		s.wait(3)
		if _, err := s.b.ReadHand(s.Context(), h.ID, "-15", ""); !errors.Is(err, ErrNotLive) {
			t.Errorf("unplugged: %v", err)
		}
		s.handRead(h.ID, "-15", "-1.9")
	})
}

// What cannot be is refused with words, and changes nothing.
func TestHandSweepRefuses(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.cfg.Encoder = InstrumentConfig{Kind: KindEncoder, Format: FormatMarks, Direction: 1}
		s.cfg.Indicators = []InstrumentConfig{{Kind: KindIndicator, Name: "plain", Format: FormatTyped, Direction: -1, Unit: "in"}}
		s.run()
		h := s.handBegin(BeginHand{Job: 1, Cylinder: 2, Indicator: "plain", Direction: -1})
		s.handRead(h.ID, "+12,5", "0.050")
		for _, c := range []struct{ mark, height, want string }{
			{"12.5", "0.049", "read already"}, {"14", "0.049", "goes back"}, {"ten", "0.049", "no plain number"},
			{"10", "", "type what it shows"}, {"10", "1e3", "no plain number"}, {"10", "4.9", "no piston moves"}, {"10", "6.1", "beyond the travel"}, {"10", "49", "beyond what any"},
			{"-400", "0.04", "as on the damper"},
		} {
			if _, err := s.b.ReadHand(s.Context(), h.ID, c.mark, c.height); !errors.Is(err, ErrMisread) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%q %q: %v, want %q", c.mark, c.height, err, c.want)
			}
		}
		if _, err := s.b.ReadHand(s.Context(), s.handBegin(BeginHand{Job: 1, Cylinder: 3, Direction: 1}).ID, "179", "0"); err != nil {
			t.Error(err)
		}
		if _, err := s.b.ReadHand(s.Context(), 2, "-178", "0"); !errors.Is(err, ErrMisread) || !strings.Contains(err.Error(), "182 instead of -178") {
			t.Error(err)
		}
		h = s.handBegin(BeginHand{Job: 1, Cylinder: 2, Indicator: "plain", Direction: -1})
		s.handRead(h.ID, "12.5", "0.050")
		h = s.handRead(h.ID, "10", "1.1 mm")
		if got := fmt.Sprint(h.Taken[0].HeightMM, h.Taken[1].HeightMM); got != "-1.27 -1.1" {
			t.Errorf("heights %s", got)
		}
		if err := second(s.b.TakeBackHand(s.Context(), 99)); !errors.Is(err, ErrNoHandSweep) {
			t.Error(err)
		}
		for range 2 {
			if err := second(s.b.TakeBackHand(s.Context(), h.ID)); err != nil {
				t.Error(err)
			}
		}
		if err := second(s.b.TakeBackHand(s.Context(), h.ID)); !errors.Is(err, ErrNothingRead) {
			t.Error(err)
		}
		for _, w := range []BeginHand{{}, {Job: 1}, {Job: 1, Cylinder: 1}, {Job: 1, Cylinder: 1, Direction: 1, AngleUDeg: 6}, {Job: 1, Cylinder: 1, Direction: 1, Indicator: "right"}} {
			if err := second(s.b.BeginHand(s.Context(), w)); err == nil {
				t.Errorf("%+v was taken", w)
			}
		}
	})
}

// The marks are the reference: one mount for all of a job, over a restart too,
// until the damper is moved. A new place is a new setup; an indicator that is
// selected there keeps its own.
func TestHandSweepNumbers(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.resume = Resume{LastMount: 4, LastSetup: 4, LastZeroing: 4, LastStream: 8, LastSweep: 8, LastDatum: 8, HandMounts: map[int64]int{1: 2}}
		s.run()
		for i, c := range []struct {
			w    BeginHand
			want string
		}{
			{BeginHand{Job: 1, Cylinder: 1, Direction: 1}, "2 6 6"}, // the live one has setup 5
			{BeginHand{Job: 1, Cylinder: 1, Direction: -1}, "2 6 6"},
			{BeginHand{Job: 1, Cylinder: 1, Direction: 1, ZeroedOn: "deck"}, "2 6 7"},
			{BeginHand{Job: 1, Cylinder: 3, Direction: 1, DamperMoved: true}, "6 7 8"},
			{BeginHand{Job: 2, Cylinder: 3, Direction: 1}, "7 8 9"},
			{BeginHand{Job: 1, Cylinder: 3, Direction: 1}, "6 9 10"},
		} {
			h := s.handBegin(c.w)
			if got := fmt.Sprint(h.Mount, h.Setup, h.Zeroing); got != c.want {
				t.Errorf("sweep %d: mount, setup, zeroing are %s, want %s", i, got, c.want)
			}
		}
		s.sel(1, 3)
		own := s.b.Snapshot().Indicators[0]
		h := s.handBegin(BeginHand{Job: 1, Cylinder: 3, Indicator: "left", Direction: 1})
		if h.Setup != own.Setup || h.Zeroing != own.Zeroing {
			t.Errorf("selected: %+v, the indicator has setup %d, zeroing %d", h, own.Setup, own.Zeroing)
		}
		h = s.handBegin(BeginHand{Job: 1, Cylinder: 3, Indicator: "left", Direction: -1, ZeroedOn: "deck"})
		if now := s.b.Snapshot().Indicators[0]; h.Zeroing != now.Zeroing || now.Zeroing == own.Zeroing {
			t.Errorf("zeroed: %+v, the indicator has zeroing %d, had %d", h, now.Zeroing, own.Zeroing)
		}
		if snap := s.b.Snapshot(); len(snap.Running) != 1 || snap.Running[0].ID != h.ID {
			t.Errorf("running %+v", snap.Running)
		}
		if err := s.stop(); err != nil {
			t.Fatal(err)
		}
		if ends := s.rec.all().Ends; len(ends) != 8 || ends[7].Cause != CauseShutdown {
			t.Errorf("ends %+v", ends)
		}
	})
}
