package acquire

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// stand is a bench in a bubble: an encoder, an indicator "left", a crank.
type stand struct {
	*testing.T
	b        *Bench
	rec      *memory
	lines    map[string]*fakeLine
	cfg      Config
	resume   Resume
	start    time.Time
	mu       sync.Mutex
	events   []Event
	deg      float64 // of the crank, the top of cylinder 3 at 0
	zeroAt   int     // the encoder's count there
	step     int     // 10 ms each
	blind    bool    // the encoder stands
	sign     float64 // of the indicator
	travelMM float64
	mute     bool // the indicator says nothing by itself
	stop     func() error
}

func newStand(t *testing.T) *stand {
	s := &stand{T: t, rec: &memory{}, lines: map[string]*fakeLine{}, sign: 1, travelMM: 12, deg: -90, start: time.Now()}
	s.cfg = Config{Name: "bench", Encoder: encoderConfig("/dev/enc"), Indicators: []InstrumentConfig{indicatorConfig("left", "/dev/left")}, Sweep: DefaultSweepConfig()}
	return s
}

func (s *stand) now() int64 { return time.Since(s.start).Nanoseconds() }

func (s *stand) run() *stand {
	s.Helper()
	b, err := NewBench(s.cfg, s.rec, s.resume, Options{
		Now: s.now,
		Open: func(cfg []InstrumentConfig) Source {
			line := s.lines[cfg[0].Port]
			if line == nil {
				line = newFakeLine()
				s.lines[cfg[0].Port] = line
			}
			return line.source(cfg, s.now)
		},
		OnEvent: func(e Event) { s.mu.Lock(); s.events = append(s.events, e); s.mu.Unlock() },
	})
	if err != nil {
		s.Fatal(err)
	}
	s.b = b
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	s.stop = func() error { cancel(); err := <-done; done <- err; return err }
	s.Cleanup(func() { s.stop() })
	s.wait(1)
	return s
}

// wait lets seconds pass with both instruments speaking.
func (s *stand) wait(seconds float64) { s.turnTo(s.deg, 0, seconds) }

// turn turns the crank by degrees at degS.
func (s *stand) turn(by, degS float64) { s.turnTo(s.deg+by, degS, math.Abs(by)/degS) }

func (s *stand) turnTo(to, degS, seconds float64) {
	from, n := s.deg, int(math.Round(seconds*100))
	for i := 1; i <= n; i++ {
		if degS > 0 {
			s.deg = from + (to-from)*float64(i)/float64(n)
		}
		time.Sleep(10 * time.Millisecond)
		if s.step++; s.step%2 == 0 {
			count := s.zeroAt + int(math.Round(s.deg*20))
			if s.blind {
				count = s.zeroAt
			}
			s.line("/dev/enc").say(fmt.Sprintf("%d\r\n", count))
		}
		if s.step%5 == 0 && !s.mute {
			s.line("/dev/left").say(fmt.Sprintf("%+.3f mm\r\n", s.sign*max(pistonMM(s.deg), -s.travelMM)))
		}
	}
	synctest.Wait()
}

func (s *stand) line(port string) *fakeLine {
	if s.lines[port] == nil {
		s.lines[port] = newFakeLine()
	}
	return s.lines[port]
}

func (s *stand) sel(job int64, cylinder int) {
	s.Helper()
	if err := s.b.Select(context.Background(), Selection{Job: job, Cylinders: map[string]int{"left": cylinder}, Actor: "test"}); err != nil {
		s.Fatal(err)
	}
}

// want compares sweeps in the Recorder with lines like "3 + window".
func (s *stand) want(lines ...string) {
	s.Helper()
	synctest.Wait()
	all := s.rec.all()
	var got []string
	for _, b := range all.Begins {
		line := fmt.Sprintf("%d running", b.Cylinder)
		for _, e := range all.Ends {
			if e.Sweep == b.ID {
				line = fmt.Sprintf("%d %s %s", b.Cylinder, map[int]string{1: "+", -1: "-"}[e.Direction], e.Cause)
			}
		}
		got = append(got, line)
	}
	if !slices.Equal(got, lines) {
		s.Errorf("sweeps %q, want %q", got, lines)
	}
	if f := s.rec.faults(); len(f) > 0 {
		s.Errorf("a store would refuse:\n%s", strings.Join(f, "\n"))
	}
}

// notice returns the standing notice of a code, or nil.
func (s *stand) notice(code string) *Notice {
	for _, n := range s.b.Snapshot().Notices {
		if n.Code == code {
			return &n
		}
	}
	return nil
}

func (s *stand) wantNotice(code, text string) {
	s.Helper()
	n := s.notice(code)
	switch {
	case text == "" && n != nil:
		s.Errorf("notice %s still stands: %s", code, n.Text)
	case text != "" && n == nil:
		s.Errorf("no notice %s; there are %+v", code, s.b.Snapshot().Notices)
	case text != "" && n.Text != text:
		s.Errorf("notice %s says\n  %s\nwant\n  %s", code, n.Text, text)
	case n != nil && (n.Fix == "" || !strings.HasSuffix(n.Fix, ".")):
		s.Errorf("notice %s has no fix: %q", code, n.Fix)
	}
}

func inBubble(t *testing.T, f func(*stand)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) { f(newStand(t)) })
}
