package acquire

import (
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

func TestLastLines(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		for n := range 30 {
			s.line("/dev/left").say(fmt.Sprintf("+%d.5 mm\n", n))
		}
		s.line("/dev/left").say("+7\xb0\x01\"\t\n")
		synctest.Wait()
		time.Sleep(300 * time.Millisecond)
		got := s.b.Snapshot().Indicators[0].Lines
		if len(got) != 20 || got[0].Text() != "+11.5 mm" || got[0].Reason != "" || got[18].Text() != "+29.5 mm" || got[0].AtNS == 0 {
			t.Errorf("%d lines from %+v", len(got), got[0])
		}
		if last := got[19]; last.Text() != `+7\xb0\x01"\t` || last.Reason != UnusedGarbage {
			t.Errorf("last: %q, %s", last.Text(), last.Reason)
		}
	})
	if l := (Line{Raw: []byte{0x01, 0xA0}, hex: true}); l.Text() != "01 A0" {
		t.Error(l.Text())
	}
}

func TestEveryStateAndReasonHasACure(t *testing.T) {
	states := []string{StatusLive, StatusWaiting, StatusSilent, StatusGarbled}
	for _, p := range portCodes {
		states = append(states, string(p.trouble))
	}
	reasons := []string{}
	for _, u := range Unused() {
		reasons = append(reasons, string(u))
	}
	for _, of := range []struct {
		have []Cure
		want []string
	}{{StateCures(), states}, {UnusedCures(), reasons}} {
		var got []string
		for _, c := range of.have {
			got = append(got, c.What)
			if c.Means == "" || c.Do == "" {
				t.Errorf("%s: %+v", c.What, c)
			}
		}
		slices.Sort(got)
		slices.Sort(of.want)
		if !slices.Equal(got, of.want) {
			t.Errorf("cures of %q, want of %q", got, of.want)
		}
	}
}
