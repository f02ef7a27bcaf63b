package acquire

import (
	"fmt"
	"testing"
	"time"
)

// An adapter that hangs says no error, only nothing: it is opened anew, once,
// and the gap is recorded.
func TestAHangingAdapterIsOpenedAnew(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.wait(3)
		s.turn(20, 10)
		before := s.b.Snapshot().Encoder.Stream
		line := s.line("/dev/enc")
		line.mu.Lock()
		line.hangs = true
		line.mu.Unlock()
		s.wait(9)
		if now := s.b.Snapshot().Encoder; now.Stream != before || now.Status != StatusSilent {
			t.Errorf("after 9 s: %+v", now)
		}
		s.wait(3)
		if now := s.b.Snapshot().Encoder; now.Stream == before || !now.Live {
			t.Errorf("after 12 s: %+v", now)
		}
		gaps := 0
		for _, g := range s.rec.all().Gaps {
			if g.Stream == before && g.Reason == CausePortLost {
				gaps++
			}
		}
		if gaps != 1 {
			t.Errorf("%d gaps recorded", gaps)
		}
	})
}

// One that stays silent after that is left alone, and so is one that speaks
// only now and then.
func TestSilenceIsNoHang(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.wait(5)
		s.mute = true // the indicator
		s.wait(60)
		if n := s.b.Stats().Instruments[1].Reopens; n != 1 {
			t.Errorf("opened anew %d times in a minute of silence, want once", n)
		}
		for range 60 { // as with a pedal
			s.line("/dev/left").say("+0.100 mm\r\n")
			s.wait(3)
		}
		s.wait(60)
		if n := s.b.Stats().Instruments[1].Reopens; n != 1 {
			t.Errorf("opened anew %d times, though it speaks now and then only", n)
		}
	})
}

// The device behind an open port may change without a word.
func TestAnotherDeviceAtThePath(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.wait(1)
		s.mute = true
		before := s.b.Snapshot().Indicators[0].Stream
		line := s.line("/dev/left")
		line.mu.Lock()
		line.birth++ // but nobody is told
		line.mu.Unlock()
		s.wait(3)
		s.mute = false
		s.wait(1)
		if now := s.b.Snapshot().Indicators[0]; now.Stream == before || !now.Live {
			t.Errorf("still %+v", now)
		}
	})
}

// An encoder that boots may say a number first that is none of its counts: it
// costs no mount.
func TestABootingEncoderCostsNoMount(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.wait(2)
		mount := s.b.Snapshot().Encoder.Mount
		line := s.line("/dev/enc")
		line.unplug()
		s.wait(1)
		line.plug()
		time.Sleep(600 * time.Millisecond) // it is open and silent: what comes now is whole
		line.say("12\r\n")
		time.Sleep(100 * time.Millisecond)
		if s.b.Snapshot().Encoder.Live {
			t.Error("live by a count that nothing agrees with")
		}
		s.wait(1)
		now := s.b.Snapshot().Encoder
		if now.Mount != mount || !now.Live {
			t.Errorf("mount %d, was %d; %+v", now.Mount, mount, now)
		}
		if n := s.b.Stats().Instruments[0].Unused[UnusedRange]; n != 1 {
			t.Errorf("%d counted as out of range, want the boot's", n)
		}
		line.unplug() // and one that really comes back elsewhere does
		s.wait(0.5)
		s.zeroAt += 4000
		line.plug()
		s.wait(2)
		if now := s.b.Snapshot().Encoder; now.Mount == mount || !now.Live {
			t.Errorf("came back elsewhere, mount %d, was %d", now.Mount, mount)
		}
	})
}

func TestIndexPulse(t *testing.T) {
	const turn = 7200.0
	count := int64(0)
	to := func(w *indexWatch, target, index int64) (lost int) {
		for count != target {
			from := count
			count += max(-90, min(90, target-count))
			pulse := false
			for k := int64(-3); k <= 3; k++ {
				at := index + k*int64(turn)
				pulse = pulse || at > min(from, count) && at <= max(from, count)
			}
			if !w.agrees(count, pulse, turn) {
				lost++
			}
		}
		return lost
	}
	var w indexWatch
	if lost := to(&w, 15000, 1000) + to(&w, -9000, 1000) + to(&w, 15000, 1000); lost != 0 {
		t.Errorf("the pulse stood at one place, and yet %d losses", lost)
	}
	if lost := to(&w, 22000, 1200); lost != 1 { // 200 counts went missing: told once, then it is known anew
		t.Errorf("%d losses told, want 1", lost)
	}
	if lost := to(&w, 3000, 1200); lost != 0 {
		t.Errorf("%d losses told after that", lost)
	}
}

// A sweep in which the index pulse moved is marked, and a new mount begins.
func TestLostCountsByIndex(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.cfg.Encoder.Pattern = `^(?P<count>[-+]?\d+)(?P<status> [A-Z])?$`
		s.run()
		s.sel(1, 3)
		deg, sent := -50.0, 0
		turn := func(to float64) {
			for from := deg; deg != to; from = deg {
				deg = max(min(to, deg+0.4), deg-0.4)
				mark := ""
				if lo, hi := min(from, deg), max(from, deg); lo < -20 && hi >= -20 { // where the pulse is
					mark = " Z"
				}
				time.Sleep(20 * time.Millisecond)
				s.line("/dev/enc").say(fmt.Sprintf("%d%s\r\n", int(deg*20)+s.zeroAt, mark))
				if sent++; sent%2 == 0 {
					s.line("/dev/left").say(fmt.Sprintf("%+.3f mm\r\n", max(pistonMM(deg), -12)))
				}
			}
		}
		turn(30)
		mount := s.b.Snapshot().Encoder.Mount
		turn(10)
		s.zeroAt += 30 // 1.5°: no jump that a hand could not make
		turn(-40)
		if now := s.b.Snapshot().Encoder.Mount; now == mount {
			t.Error("the mount goes on")
		}
		lost := 0
		for _, e := range s.rec.all().Ends {
			if e.Cause == CauseLostCounts {
				lost++
			}
		}
		if lost != 1 {
			t.Errorf("%d sweeps are marked, want 1: %+v", lost, s.rec.all().Ends)
		}
	})
}
