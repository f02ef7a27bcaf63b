package acquire

import (
	"bytes"
	"context"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"crownmark/acquire/virtual"
)

// sayings are the numbers that each instrument has said, as a stage notes them.
type sayings struct {
	mu    sync.Mutex
	saids [][]string
}

func (s *sayings) said() [][]string {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([][]string, len(s.saids))
	for i := range out {
		out[i] = slices.Clone(s.saids[i])
	}
	return out
}

// handStage is a plain port on which bytes written by hand are said.
type handStage struct {
	*ptyLine
	f format
	sayings
	next    map[string]int // by question
	pending []byte
	stop    chan struct{}
	over    sync.WaitGroup
}

func newHandStage(t *testing.T, f format) stage {
	s := &handStage{ptyLine: newPtyLine(t), f: f, sayings: sayings{saids: make([][]string, len(f.cfgs))}, next: map[string]int{}}
	s.start()
	t.Cleanup(s.quit)
	return s
}

func (s *handStage) path() string { return s.ptyLine.path }

func (s *handStage) garbage() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.say(s.f.garbage)
}

func (s *handStage) unplug() { s.quit(); s.ptyLine.unplug() }
func (s *handStage) replug() { s.ptyLine.plug(); s.start() }

func (s *handStage) quit() {
	close(s.stop)
	s.master.SetReadDeadline(time.Now())
	s.over.Wait()
	s.stop = make(chan struct{})
}

// start speaks by itself every 20 ms, and when asked.
func (s *handStage) start() {
	s.stop = make(chan struct{})
	stop, master := s.stop, s.master
	s.over.Go(func() {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				s.speak("")
			case <-stop:
				return
			}
		}
	})
	s.over.Go(func() { s.listen(stop, master) })
}

func (s *handStage) listen(stop chan struct{}, master *os.File) {
	buf := make([]byte, 64)
	for {
		select {
		case <-stop:
			return
		default:
		}
		n, err := master.Read(buf)
		s.pending = append(s.pending, buf[:n]...)
		for _, w := range s.f.byHand {
			if w.asked != "" && bytes.HasSuffix(s.pending, []byte(w.asked)) {
				s.pending = nil
				s.speak(w.asked)
			}
		}
		if err != nil {
			time.Sleep(time.Millisecond) // nobody has the port open
		}
	}
}

// speak says the next thing that answers a question, "" for none.
func (s *handStage) speak(asked string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for range s.f.byHand {
		w := s.f.byHand[s.next[asked]%len(s.f.byHand)]
		s.next[asked]++
		if w.asked == asked {
			s.saids[w.instrument] = append(s.saids[w.instrument], w.number)
			s.say(w.bytes)
			return
		}
	}
}

// rigStage is the virtual bench.
type rigStage struct {
	t     *testing.T
	f     format
	rig   *virtual.Rig
	order chan func(*virtual.Operator) error
	done  chan error
	sayings
}

func newRigStage(t *testing.T, f format) stage {
	e := virtual.Engine{Name: "one", StrokeMM: 86, RodMM: 143.5, CycleDeg: 720, Reference: 1, Cylinders: []virtual.Cylinder{{Number: 1}}}
	d := virtual.Quiet()
	d.CountsPerRev, d.Steps, d.IndicatorHz = []int{7200}, []virtual.Step{{Unit: "mm", Size: 0.001}}, []float64{40}
	if f.inches {
		d.Steps = []virtual.Step{{Unit: "in", Size: 0.0001}}
	}
	truth := virtual.Draw(e, 5, d)
	truth.Encoder.StartDeg, truth.Encoder.OffsetDeg = -10, 20
	s := &rigStage{t: t, f: f, order: make(chan func(*virtual.Operator) error), done: make(chan error), sayings: sayings{saids: make([][]string, len(f.cfgs))}}
	rig, err := virtual.NewRig(truth, virtual.RigOptions{Dir: t.TempDir(), Script: s.script, Voices: f.voices, Said: s.note})
	if err != nil {
		t.Fatal(err)
	}
	s.rig = rig
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- rig.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		<-ran
		if err := rig.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// script turns to and fro, presses the pedal if there is one, and does what is
// ordered between.
func (s *rigStage) script(o *virtual.Operator) error {
	if err := o.Stand("left", 1); err != nil {
		return err
	}
	for i := 0; ; i++ {
		if err := o.Turn([]float64{0.5, 0.5, 0.5, -0.5, -0.5, -0.5}[i%6], 10); err != nil {
			return err
		}
		if s.f.voices["left"].Pedal {
			if err := o.Press("left"); err != nil {
				return err
			}
		}
		select {
		case do := <-s.order:
			s.done <- do(o)
		default:
		}
	}
}

func (s *rigStage) note(instrument, number string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, c := range s.f.cfgs {
		if c.Name == instrument {
			s.saids[i] = append(s.saids[i], number)
		}
	}
}

func (s *rigStage) path() string {
	if s.f.cfgs[0].Kind == KindEncoder {
		return s.rig.EncoderPort()
	}
	return s.rig.IndicatorPort("left")
}

func (s *rigStage) do(what func(*virtual.Operator) error) {
	s.order <- what
	if err := <-s.done; err != nil {
		s.t.Error(err)
	}
}

func (s *rigStage) garbage() {
	s.do(func(o *virtual.Operator) error { return o.Garbage(s.f.cfgs[0].Name, []byte(s.f.garbage)) })
}

func (s *rigStage) unplug() {
	s.do(func(o *virtual.Operator) error { return o.Unplug(s.f.cfgs[0].Name) })
}

func (s *rigStage) replug() {
	s.do(func(o *virtual.Operator) error { return o.Replug(s.f.cfgs[0].Name) })
}
