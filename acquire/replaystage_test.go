package acquire

import (
	"context"
	"testing"
	"time"

	"crownmark/acquire/replay"
)

// replayStage plays a capture of what is said by hand: some rounds, garbage,
// more rounds, the plug out and in, more rounds. At each of these it waits.
type replayStage struct {
	f      format
	events []replay.Event
	says   map[int]spoken // by place among the events
	player *replay.Player
	goOn   chan struct{}
	sayings
	next int           // event to be played
	back chan struct{} // closed once the plug is in again
}

// stageRounds are enough for any check.
const stageRounds = 24

func newReplayStage(t *testing.T, f format) stage {
	s := &replayStage{f: f, says: map[int]spoken{}, goOn: make(chan struct{}, 3), back: make(chan struct{}), sayings: sayings{saids: make([][]string, len(f.cfgs))}}
	s.rounds()
	s.events = append(s.events, replay.Event{Kind: replay.Came, Bytes: []byte(f.garbage)})
	s.rounds()
	s.events = append(s.events, replay.Event{Kind: replay.Gone}, replay.Event{Kind: replay.Back})
	s.rounds()
	c := replay.Capture{Simulated: true, Ports: []replay.Port{{Name: "one", Baud: 9600, Frame: "8N1"}}, Events: s.events}
	var err error
	if s.player, err = replay.NewPlayer(c, replay.Options{Dir: t.TempDir(), Wait: s.wait}); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- s.player.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		<-ran
		if err := s.player.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func (s *replayStage) rounds() {
	for range stageRounds {
		for _, w := range s.f.byHand {
			if w.asked != "" {
				s.events = append(s.events, replay.Event{Kind: replay.Sent, Bytes: []byte(w.asked)})
			}
			s.says[len(s.events)] = w
			s.events = append(s.events, replay.Event{Kind: replay.Came, Bytes: []byte(w.bytes)})
		}
	}
}

// wait is called before each event.
func (s *replayStage) wait(ctx context.Context, _ int64) error {
	s.mu.Lock()
	at := s.next
	s.next++
	w, speaks := s.says[at]
	if speaks {
		s.saids[w.instrument] = append(s.saids[w.instrument], w.number)
	}
	s.mu.Unlock()
	kind := s.events[at].Kind
	if at > 0 && s.events[at-1].Kind == replay.Back {
		close(s.back)
	}
	pace := time.Duration(0)
	if speaks && w.asked == "" {
		pace = 15 * time.Millisecond
	}
	goOn := s.goOn
	if speaks || kind == replay.Sent {
		goOn = nil // no stop
	}
	if goOn == nil {
		select {
		case <-time.After(pace):
		case <-ctx.Done():
		}
		return ctx.Err()
	}
	select {
	case <-goOn:
	case <-ctx.Done():
	}
	return ctx.Err()
}

func (s *replayStage) path() string { return s.player.Path(0) }

func (s *replayStage) garbage() { s.goOn <- struct{}{} }
func (s *replayStage) unplug()  { s.goOn <- struct{}{} }
func (s *replayStage) replug()  { s.goOn <- struct{}{}; <-s.back }
