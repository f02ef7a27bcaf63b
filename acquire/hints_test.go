package acquire

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

func TestHints(t *testing.T) {
	t.Run("standing encoder", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.run()
			s.sel(1, 3)
			s.blind = true
			s.turn(100, 20)
			s.want()
			s.wantNotice("encoder_stands", "The encoder stands still while indicator left moves.")
			s.blind = false
			s.wait(1)
			s.turn(1, 20)
			s.wantNotice("encoder_stands", "")
		})
	})
	t.Run("not touching", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.travelMM = 0
			s.run()
			s.sel(1, 3)
			s.turn(100, 20)
			s.wantNotice("not_touching", "Indicator left rests at 0.000 mm while the crank turned 60°: it does not touch the piston there, or is out of its travel.")
			s.travelMM = 12
			s.deg = -90
			s.wait(1)
			s.turn(60, 20)
			s.wantNotice("not_touching", "")
		})
	})
	t.Run("wrong sign", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.sign = -1
			s.run()
			s.sel(1, 3)
			s.turn(180, 20)
			s.wantNotice("direction", "The heights of indicator left have a bottom where a top should be: its sign is wrong.")
		})
	})
	t.Run("wrong sign from the middle", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.sign, s.deg = -1, -30
			s.run()
			s.sel(1, 3)
			s.turn(60, 20)
			s.wantNotice("direction", "The heights of indicator left have a bottom where a top should be: its sign is wrong.")
		})
	})
	t.Run("right sign", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.run()
			s.sel(1, 3)
			s.turn(180, 20)
			s.turn(-180, 20)
			s.turn(70, 20)
			s.turn(-0.8, 5) // springs back
			s.turn(100, 20)
			for _, code := range []string{"direction", "not_touching", "travel_end", "encoder_stands", "silent", "garbled"} {
				s.wantNotice(code, "")
			}
		})
	})
	t.Run("silent", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.run()
			time.Sleep(5 * time.Second)
			s.wantNotice("silent", "Indicator left is silent.")
			if st := s.b.Snapshot().Encoder; st.Status != "silent" || !st.Live {
				t.Errorf("encoder %+v", st)
			}
			s.wait(1)
			s.wantNotice("silent", "")
		})
	})
	t.Run("speaks only when it has something to say", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.run()
			for range pausesEnough {
				time.Sleep(5 * time.Second)
				s.wantNotice("silent", "Indicator left is silent.")
				s.wait(1)
			}
			time.Sleep(50 * time.Second)
			s.wantNotice("silent", "")
			time.Sleep(15 * time.Second)
			s.wantNotice("silent", "Indicator left is silent.")
		})
	})
	t.Run("garbled", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.run()
			for range 6 {
				s.line("/dev/left").say("\xff\xfe\x81\r\n")
			}
			synctest.Wait()
			time.Sleep(50 * time.Millisecond)
			s.wantNotice("garbled", `Indicator left speaks, but its lines cannot be read (garbage); one was "\xff\xfe\x81".`)
			if st := s.b.Snapshot().Indicators[0]; st.Status != "garbled" {
				t.Errorf("status %s", st.Status)
			}
			s.wait(1)
			s.wantNotice("garbled", "")
			if n := s.b.Stats().Instruments[1].Unused[UnusedGarbage]; n != 6 {
				t.Errorf("%d lines counted", n)
			}
		})
	})
	t.Run("resolution", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.mute = true
			s.run()
			for i := range 40 {
				s.line("/dev/left").say(fmt.Sprintf("%+.3f mm\r\n", 0.01*float64(i*i%7)))
				time.Sleep(50 * time.Millisecond)
			}
			s.wantNotice("resolution", "The display of indicator left goes by steps of 0.01 mm, not of 0.001 mm.")
			if seen := s.b.Snapshot().Indicators[0].ResolutionMM; seen != 0.01 {
				t.Errorf("learnt %g mm", seen)
			}
			s.line("/dev/left").say("+0.001 mm\r\n")
			time.Sleep(100 * time.Millisecond)
			s.wantNotice("resolution", "")
		})
	})
	t.Run("instrument error", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.run()
			for range 6 {
				s.line("/dev/left").say("ERR3\r\n")
			}
			time.Sleep(50 * time.Millisecond)
			s.wantNotice("instrument_error", "Indicator left reports an error itself.")
		})
	})
}
