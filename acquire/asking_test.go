package acquire

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// What came garbled is no answer: before another instrument is asked, the true
// one is waited for. One that is alone on its port is asked again at once.
func TestGarbageIsNoAnswer(t *testing.T) {
	for instruments, soon := range map[int]bool{1: true, 2: false} {
		var a asking
		for i, request := range []string{"E?", "I?"}[:instruments] {
			a.add(i, InstrumentConfig{Baud: 9600, Request: request, IntervalMS: 10}, nil, nil)
		}
		a.share(instruments, nil)
		const ms = 1_000_000
		first := a.due(1000*ms, time.Second)
		if first == nil || string(first.request) != "E?" {
			t.Fatalf("%d: asked first is %v", instruments, first)
		}
		a.asked(first, 1000*ms)
		if a.due(1100*ms, 0) != nil {
			t.Errorf("%d: asked again while the answer may be on its way", instruments)
		}
		a.garbled(1100 * ms)
		if got := a.due(1120*ms, 0) != nil; got != soon {
			t.Errorf("%d: asked 20 ms after garbage: %v", instruments, got)
		}
		if a.due(1260*ms, 0) == nil {
			t.Errorf("%d: not asked 160 ms after garbage", instruments)
		}
	}
}

// An instrument that never answers is given up after half a second, and the
// other one gets its turn.
func TestTheSilentOneDoesNotBlock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line, start := newFakeLine(), time.Now()
		e, i := encoderConfig("/dev/x"), indicatorConfig("left", "/dev/x")
		e.Request, e.IntervalMS, i.Request, i.IntervalMS = "E?", 20, "I?", 20
		s := line.source([]InstrumentConfig{e, i}, func() int64 { return time.Since(start).Nanoseconds() })
		if err := s.Open(context.Background()); err != nil {
			t.Fatal(err)
		}
		for time.Since(start) < 3*time.Second {
			if _, err := s.Read(); err != nil {
				t.Fatal(err)
			}
		}
		if n := len(line.asked); n < 5 || n > 7 || !slices.Equal(line.asked[:4], []string{"E?", "I?", "E?", "I?"}) {
			t.Errorf("in 3 s it was asked %q", line.asked)
		}
	})
}

// A device's own time decides when its readings were made, whatever lump its
// lines came in; their arrivals stay.
func TestOwnTimeBesideArrivals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line, start := newFakeLine(), time.Now()
		c := counterClock()
		s := line.source([]InstrumentConfig{c}, func() int64 { return time.Since(start).Nanoseconds() })
		if err := s.Open(context.Background()); err != nil {
			t.Fatal(err)
		}
		for range 3 { // silence
			if _, err := s.Read(); err != nil {
				t.Fatal(err)
			}
		}
		line.say("1,1000000\r\n2,1020000\r\n3,1040000\r\n")
		all := slices.Clone(hear(t, s, 3, 0).Readings)
		time.Sleep(60 * time.Millisecond)
		line.say("4,1060000\r\n5,1080000\r\n6,1100000\r\n")
		all = append(all, hear(t, s, 3, 0).Readings...)
		for i, r := range timed(t, c, all) {
			if r.AtNS != all[i/3*3].AtNS || r.Burst != i%3 {
				t.Errorf("reading %d: %+v came in one lump with %+v", i, r, all[i/3*3])
			}
			if back := all[3].AtNS - r.MadeNS; i >= 3 && back != int64(5-i)*20e6 || r.Late() != 0 {
				t.Errorf("reading %d was made %d ns before its lump came, late %d", i, back, r.Late())
			}
		}
	})
}
