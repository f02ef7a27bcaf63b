package acquire

import (
	"context"
	"errors"
	"os"
	"testing"
	"time"

	"crownmark/acquire/replay"
	"crownmark/acquire/virtual"
)

// line is what an instrument's cable can do, real or not.
type line interface {
	source([]InstrumentConfig, func() int64) Source
	plug()
	unplug()
	say(string)
}

// sourceKind is where bytes may come from: a cable on which a test says what
// it wants, and a stage on which a format is spoken.
type sourceKind struct {
	name  string
	cable func(*testing.T) (line, string)
	stage func(*testing.T, format) stage // nil: it speaks only as it is told
}

func sourceKinds() []sourceKind {
	return []sourceKind{
		{"serial port", func(t *testing.T) (line, string) { l := newPtyLine(t); return l, l.path }, newHandStage},
		{"virtual bench", func(t *testing.T) (line, string) { l := newVirtualLine(t); return l, l.rig.IndicatorPort("left") }, newRigStage},
		{"replay", func(t *testing.T) (line, string) { l := newReplayLine(t); return l, l.player.Path(0) }, newReplayStage},
		{"fake", func(*testing.T) (line, string) { return newFakeLine(), "/dev/fake" }, nil},
	}
}

// TestSources holds every kind of source to the same promises: to the byte
// with lines, and in every format.
func TestSources(t *testing.T) {
	for _, k := range sourceKinds() {
		t.Run(k.name+"/byte by byte", func(t *testing.T) {
			l, path := k.cable(t)
			start := time.Now()
			now := func() int64 { return time.Since(start).Nanoseconds() }
			holdToPromises(t, l, l.source([]InstrumentConfig{indicatorConfig("left", path)}, now), now)
		})
	}
	for _, f := range formats() {
		for _, k := range sourceKinds() {
			if k.stage != nil {
				t.Run(k.name+"/"+f.name, func(t *testing.T) {
					t.Parallel()
					holdFormat(t, f, k.stage)
				})
			}
		}
	}
}

func holdToPromises(t *testing.T, l line, s Source, now func() int64) {
	ctx := context.Background()
	if _, err := s.Read(); err == nil {
		t.Error("a source that is not open was read")
	}
	if err := errors.Join(s.Close(), s.Close()); err != nil {
		t.Errorf("closing one that is not open: %v", err)
	}
	if err := s.Open(ctx); err != nil {
		t.Fatal(err)
	}
	node := s.Node()
	began := time.Now()
	for range 3 { // long enough that the line counts as silent
		if h, err := s.Read(); err != nil || h.Bytes != 0 {
			t.Fatalf("nothing was said, heard %+v, %v", h, err)
		}
	}
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("three empty reads took %v", took)
	}

	before := now()
	l.say("+1.500 mm\r\n2.500\r\nwhat?\r\n3.")
	got := hear(t, s, 2, 1)
	l.say("500\r\n")
	third := hear(t, s, 1, 0)
	got.Readings = append(got.Readings, third.Readings...)
	for i, want := range []int64{1500, 2500, 3500} {
		r := got.Readings[i]
		if r.Ticks != want || r.Decimals != 3 || r.Unit != UnitMM || r.AtNS < before || r.AtNS > now() || i > 0 && r.AtNS < got.Readings[i-1].AtNS {
			t.Errorf("reading %d is %+v, want %d", i, r, want)
		}
	}
	if b := got.Readings; b[0].Burst != 0 || b[1].Burst != 1 || string(b[0].Raw) != "+1.500 mm" {
		t.Errorf("bursts %d, %d; raw %q", b[0].Burst, b[1].Burst, b[0].Raw)
	}
	if f := got.Faults[0]; f.Reason != UnusedGarbage || string(f.Raw) != "what?" {
		t.Errorf("fault %+v", f)
	}

	l.unplug()
	var gone *PortError
	if err := firstError(s); !errors.As(err, &gone) || gone.Trouble != PortLost {
		t.Errorf("pulled: %v", err)
	}
	if s.Node() != "" {
		t.Errorf("nothing stands there, and yet %q", s.Node())
	}
	if err := s.Close(); err != nil {
		t.Errorf("closing a lost port: %v", err)
	}
	var absent *PortError
	if err := s.Open(ctx); !errors.As(err, &absent) || absent.Trouble != PortAbsent {
		t.Errorf("opening an absent one: %v", err)
	}
	l.plug()
	if again := s.Node(); again == "" || again == node {
		t.Errorf("came back as %q, was %q: the return cannot be seen", again, node)
	}
	if err := s.Open(ctx); err != nil {
		t.Fatal(err)
	}
	l.say("45\r\n6.000\r\n") // the head of the first was lost
	if h := hear(t, s, 1, 1); h.Readings[0].Ticks != 6000 || h.Faults[0].Reason != UnusedPartial {
		t.Errorf("after the return: %+v", h)
	}
	if err := errors.Join(s.Close(), s.Close()); err != nil {
		t.Error(err)
	}
}

// hear reads until so many readings and faults came.
func hear(t *testing.T, s Source, readings, faults int) (sum Heard) {
	t.Helper()
	for deadline := time.Now().Add(5 * time.Second); len(sum.Readings) < readings || len(sum.Faults) < faults; {
		h, err := s.Read()
		if err != nil || time.Now().After(deadline) {
			t.Fatalf("heard %+v and then %v", sum, err)
		}
		sum.Readings, sum.Faults = append(sum.Readings, h.Readings...), append(sum.Faults, h.Faults...)
	}
	return sum
}

func firstError(s Source) error {
	for deadline := time.Now().Add(5 * time.Second); time.Now().Before(deadline); {
		if _, err := s.Read(); err != nil {
			return err
		}
	}
	return nil
}

// virtualLine is the port of a virtual bench's indicator. The instruments are
// mute, so that nothing is said but what the test wants.
type virtualLine struct {
	t    *testing.T
	rig  *virtual.Rig
	work chan func(*virtual.Operator) error
	done chan error
}

func newVirtualLine(t *testing.T) *virtualLine {
	l := &virtualLine{t: t, work: make(chan func(*virtual.Operator) error), done: make(chan error)}
	rig, err := virtual.NewRig(virtual.Draw(cornerEngine, 1, virtual.DefaultDisturbances()), virtual.RigOptions{Dir: t.TempDir(), Script: l.script})
	if err != nil {
		t.Fatal(err)
	}
	l.rig = rig
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- rig.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		close(l.work)
		if err := errors.Join(<-ended, rig.Close()); err != nil {
			t.Error(err)
		}
	})
	l.do(func(o *virtual.Operator) error { return errors.Join(o.Mute("encoder", true), o.Mute("left", true)) })
	return l
}

var cornerEngine = virtual.Engine{Name: "two", StrokeMM: 86, RodMM: 143.5, CycleDeg: 720, Reference: 1,
	Cylinders: []virtual.Cylinder{{Number: 1}, {Number: 2, NominalDeg: 360}}}

func (l *virtualLine) script(o *virtual.Operator) error {
	for job := range l.work {
		l.done <- job(o)
	}
	return nil
}

func (l *virtualLine) do(job func(*virtual.Operator) error) {
	l.work <- job
	if err := <-l.done; err != nil {
		l.t.Error(err)
	}
}

func (l *virtualLine) source(cfg []InstrumentConfig, now func() int64) Source {
	return realSource(l.t, cfg, now)
}
func (l *virtualLine) plug() { l.do(func(o *virtual.Operator) error { return o.Replug("left") }) }
func (l *virtualLine) unplug() {
	l.do(func(o *virtual.Operator) error { return o.Unplug("left") })
}
func (l *virtualLine) say(text string) {
	l.do(func(o *virtual.Operator) error { return o.Garbage("left", []byte(text)) })
}

func realSource(t *testing.T, cfg []InstrumentConfig, now func() int64) Source {
	s, err := newSerialSource(cfg, now)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// replayLine plays a captured file, an event each time the test asks for what
// the file holds next.
type replayLine struct {
	t      *testing.T
	events []replay.Event
	player *replay.Player
	next   chan struct{}
	played chan struct{}
}

func newReplayLine(t *testing.T) *replayLine {
	f, err := os.Open("testdata/captures/promises.capture")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c, err := replay.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	l := &replayLine{t: t, events: c.Events, next: make(chan struct{}), played: make(chan struct{})}
	first := true
	l.player, err = replay.NewPlayer(c, replay.Options{Dir: t.TempDir(), Wait: func(ctx context.Context, _ int64) error {
		if !first {
			l.played <- struct{}{}
		}
		first = false
		select {
		case <-l.next:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- l.player.Run(context.Background()); close(l.played) }()
	t.Cleanup(func() {
		if len(l.events) > 0 {
			t.Errorf("%d events of the capture were not played", len(l.events))
			return
		}
		if err := errors.Join(<-ended, l.player.Close()); err != nil {
			t.Error(err)
		}
	})
	return l
}

// play plays the file's next event, which must be this one.
func (l *replayLine) play(kind replay.Kind, text string) {
	l.t.Helper()
	if len(l.events) == 0 || l.events[0].Kind != kind || string(l.events[0].Bytes) != text {
		l.t.Fatalf("the capture goes on with %+v, wanted %c %q", l.events, kind, text)
	}
	l.events = l.events[1:]
	l.next <- struct{}{}
	<-l.played
}

func (l *replayLine) source(cfg []InstrumentConfig, now func() int64) Source {
	return realSource(l.t, cfg, now)
}
func (l *replayLine) plug()           { l.play(replay.Back, "") }
func (l *replayLine) unplug()         { l.play(replay.Gone, "") }
func (l *replayLine) say(text string) { l.play(replay.Came, text) }
