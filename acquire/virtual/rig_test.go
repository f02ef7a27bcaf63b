package virtual

import (
	"bytes"
	"context"
	"errors"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"go.bug.st/serial"
)

// listener collects what a port says until it is hung up.
type listener struct {
	port serial.Port
	got  bytes.Buffer
	over chan struct{}
}

func listen(t *testing.T, path string) *listener {
	t.Helper()
	p, err := serial.Open(path, &serial.Mode{BaudRate: 115200})
	if err != nil {
		t.Fatalf("opening %s: %v", path, err)
	}
	l := &listener{port: p, over: make(chan struct{})}
	go func() {
		defer close(l.over)
		buf := make([]byte, 4096)
		for {
			n, err := p.Read(buf)
			l.got.Write(buf[:n])
			if err != nil {
				return
			}
		}
	}()
	return l
}

// text is all that was said, after the port was hung up.
func (l *listener) text(t *testing.T) string {
	t.Helper()
	select {
	case <-l.over:
	case <-t.Context().Done():
		t.Fatal("the port was never hung up")
	}
	if err := l.port.Close(); err != nil {
		t.Error(err)
	}
	return l.got.String()
}

// play runs a script at 20 times the wall's pace and returns what each port said.
func play(t *testing.T, seed uint64, script Script) (enc, ind string) {
	t.Helper()
	rig, err := NewRig(Draw(four(), seed, DefaultDisturbances()), RigOptions{Speedup: 20, Dir: t.TempDir(), Script: func(o *Operator) error {
		if err := script(o); err != nil {
			return err
		}
		return errors.Join(o.Unplug("encoder"), o.Unplug("left"))
	}})
	if err != nil {
		t.Fatal(err)
	}
	e, i := listen(t, rig.EncoderPort()), listen(t, rig.IndicatorPort("left"))
	ctx, cancel := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- rig.Run(ctx) }()
	enc, ind = e.text(t), i.text(t)
	<-rig.ScriptDone()
	cancel()
	if err := errors.Join(<-ran, rig.Close()); err != nil {
		t.Error(err)
	}
	if rig.LostBytes() > 0 {
		t.Logf("%d bytes were lost", rig.LostBytes())
	}
	return enc, ind
}

func shortTurn(o *Operator) error {
	return errors.Join(o.Rest(0.5), o.TurnTo(1, -20, 60), o.Stand("left", 1), o.Rest(0.5), o.Turn(40, 15), o.Rest(0.5))
}

func TestRigSpeaksLines(t *testing.T) {
	enc, ind := play(t, 4, shortTurn)
	count := regexp.MustCompile(`^-?\d+$`)
	for _, l := range strings.Split(strings.TrimSuffix(enc, "\r\n"), "\r\n") {
		if !count.MatchString(l) {
			t.Errorf("the encoder said %q", l)
		}
	}
	value := regexp.MustCompile(`^[-+][\d]{3,4}\.\d{2,3} mm$`)
	lines := strings.Split(strings.TrimSuffix(ind, "\r\n"), "\r\n")
	for _, l := range lines {
		if !value.MatchString(l) {
			t.Errorf("the indicator said %q", l)
		}
	}
	if len(enc) < 2000 || len(lines) < 80 {
		t.Errorf("%d bytes of counts and %d heights, want some 4 s of both", len(enc), len(lines))
	}
}

func TestSeedRepeatsBytes(t *testing.T) {
	enc, ind := play(t, 6, shortTurn)
	paused := func(o *Operator) error { // the same with a script that takes its time
		<-time.After(30 * time.Millisecond)
		return shortTurn(o)
	}
	enc2, ind2 := play(t, 6, paused)
	if enc != enc2 || ind != ind2 {
		t.Errorf("the same seed said other bytes: %d and %d, %d and %d", len(enc), len(enc2), len(ind), len(ind2))
	}
}

func TestReplugKeepsTheName(t *testing.T) {
	dir := t.TempDir()
	again := make(chan struct{})
	rig, err := NewRig(Draw(four(), 1, DefaultDisturbances()), RigOptions{Speedup: 20, Dir: dir, Script: func(o *Operator) error {
		err := errors.Join(o.Rest(0.5), o.Garbage("encoder", []byte("\x00?!\r\n")), o.Unplug("encoder"), o.Rest(0.5))
		if _, gone := os.Lstat(dir + "/encoder"); !os.IsNotExist(gone) {
			t.Error("the unplugged port's name is still there")
		}
		err = errors.Join(err, o.Replug("encoder"))
		again <- struct{}{}
		<-again
		return errors.Join(err, o.Mute("left", true), o.Rest(0.5), o.Unplug("encoder"))
	}})
	if err != nil {
		t.Fatal(err)
	}
	first := listen(t, rig.EncoderPort())
	ctx, cancel := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- rig.Run(ctx) }()
	if got := first.text(t); !strings.HasSuffix(got, "\x00?!\r\n") {
		t.Errorf("before the unplugging: %q, want lines and then the garbage", got)
	}
	<-again
	second := listen(t, rig.EncoderPort())
	again <- struct{}{}
	if got := second.text(t); len(got) < 100 {
		t.Errorf("after the replugging only %q", got)
	}
	cancel()
	if err := errors.Join(<-ran, rig.Close()); err != nil {
		t.Error(err)
	}
}

func TestRigReportsTheScript(t *testing.T) {
	broken := errors.New("bar dropped")
	rig, err := NewRig(Draw(four(), 1, Quiet()), RigOptions{Script: func(*Operator) error { return broken }})
	if err != nil {
		t.Fatal(err)
	}
	if err := rig.Run(t.Context()); !errors.Is(err, broken) {
		t.Errorf("Run returned %v", err)
	}
	if err := rig.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(rig.dir); !os.IsNotExist(err) {
		t.Errorf("Close left %s behind", rig.dir)
	}
}

func TestPacerNeverHurries(t *testing.T) {
	clock := time.Unix(1000, 0)
	var slept time.Duration
	p := &pacer{speedup: 2, now: func() time.Time { return clock }, sleep: func(_ context.Context, d time.Duration) error {
		slept, clock = d, clock.Add(d)
		return nil
	}}
	p.resume()
	wait := func(virtual float64, want time.Duration) {
		t.Helper()
		slept = 0
		if err := p.wait(t.Context(), virtual); err != nil || slept != want {
			t.Errorf("at %g s virtual it slept %v, %v; want %v", virtual, slept, err, want)
		}
	}
	wait(1, 500*time.Millisecond)
	p.pause()
	clock = clock.Add(3 * time.Second) // a callback
	p.resume()
	wait(1.2, 100*time.Millisecond)
	clock = clock.Add(400 * time.Millisecond) // a machine that was busy
	wait(1.4, 0)
	wait(1.6, 100*time.Millisecond)
}

func TestUnreadPortLosesInsteadOfBlocking(t *testing.T) {
	p, err := OpenPTY(func([]byte) {})
	if err != nil {
		t.Fatal(err)
	}
	for range 20000 {
		if err := p.Write([]byte("-123456\r\n")); err != nil {
			t.Fatal(err)
		}
	}
	if p.lost < 50000 { // how much a port holds for its reader varies with the machine's load
		t.Errorf("of 180 kB that nobody read only %d bytes were given up", p.lost)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
}
