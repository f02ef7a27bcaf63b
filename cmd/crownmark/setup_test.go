package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"crownmark/acquire/virtual"
)

// TestSetup lets setup recognise different instruments over real
// pseudo-terminals, all at once, with somebody who answers and moves them.
func TestSetup(t *testing.T) {
	took := make([]string, len(setupPairs()))
	var all sync.WaitGroup
	for n, p := range setupPairs() {
		all.Go(func() {
			t.Run(p.name, func(t *testing.T) {
				start := time.Now()
				b := newSetupBench(t, p)
				b.run()
				took[n] = fmt.Sprintf("%5.1f s, of these listening %4.1f s: %s", time.Since(start).Seconds(), b.listened(), p.name)
			})
		})
	}
	all.Wait()
	t.Log("recognised and written in\n" + strings.Join(took, "\n"))
}

// setupBench is a pair on its bench, with its operator.
type setupBench struct {
	*testing.T
	pair  setupPair
	rig   *virtual.Rig
	do    chan func(*virtual.Operator) error
	did   chan error
	out   string // the bench file
	shown bytes.Buffer
	mu    sync.Mutex
	said  map[string][]string

	names   []string    // of the indicators
	pushed  int         // so many were pushed in
	presses atomic.Bool // somebody presses the pedals now and then
}

func newSetupBench(t *testing.T, p setupPair) *setupBench {
	e := virtual.Engine{Name: "one", StrokeMM: 86, RodMM: 143.5, CycleDeg: 720, Reference: 1, Cylinders: []virtual.Cylinder{{Number: 1}}}
	d := virtual.Quiet()
	d.CountsPerRev, d.Steps, d.IndicatorHz, d.Direction = []int{7200}, []virtual.Step{{Unit: "mm", Size: 0.001}}, []float64{20}, max(-1, 2*p.direction+1)
	d.NoiseMM = virtual.Range{Lo: 0.0007, Hi: 0.0007}
	if p.inches {
		d.Steps = []virtual.Step{{Unit: "in", Size: 0.0001}}
	}
	if p.hz[0] > 0 {
		d.EncoderHz, d.IndicatorHz = p.hz[0], []float64{p.hz[1]}
	}
	names := []string{"left", "right", "third"}[:1+len(p.more)]
	d.Indicators = names
	truth := virtual.Draw(e, 3, d)
	truth.Encoder.StartDeg, truth.Encoder.OffsetDeg = -8, 40
	voices := map[string]virtual.Voice{"encoder": p.encoder}
	for n, v := range append([]virtual.Voice{p.indicator}, p.more...) {
		voices[names[n]] = v
	}
	b := &setupBench{T: t, pair: p, names: names, do: make(chan func(*virtual.Operator) error), did: make(chan error), said: map[string][]string{}}
	b.out = filepath.Join(t.TempDir(), "bench.toml")
	rig, err := virtual.NewRig(truth, virtual.RigOptions{Dir: t.TempDir(), Script: b.script, Said: b.note, Voices: voices})
	if err != nil {
		t.Fatal(err)
	}
	b.rig = rig
	ctx, stop := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- rig.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		<-ran
		if err := rig.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// script waits for orders.
func (b *setupBench) script(o *virtual.Operator) error {
	for n := 0; ; n++ {
		select {
		case do := <-b.do:
			b.did <- do(o)
		default:
			if err := o.Rest(0.05); err != nil {
				return err
			}
			if n%10 == 0 && b.presses.Load() {
				if err := b.press(o); err != nil {
					return err
				}
			}
		}
	}
}

// press presses every pedal.
func (b *setupBench) press(o *virtual.Operator) error {
	for n, v := range append([]virtual.Voice{b.pair.indicator}, b.pair.more...) {
		if v.Pedal {
			if err := o.Press(b.names[n]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (b *setupBench) note(instrument, number string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.said[instrument] = append(b.said[instrument], number)
}

func (b *setupBench) order(do func(*virtual.Operator) error) {
	b.do <- func(o *virtual.Operator) error {
		if err := do(o); err != nil {
			return err
		}
		return o.Rest(1) // so that slow ones have told
	}
	if err := <-b.did; err != nil {
		b.Error(err)
	}
}

// answer does what a prompt asks for, and answers it.
func (b *setupBench) answer(prompt string) (line string, asked bool) {
	switch {
	case strings.HasPrefix(prompt, "Silent:"):
		b.presses.Store(b.pair.silent == "p")
		return b.pair.silent, true
	case strings.HasPrefix(prompt, "Hands off"):
		b.presses.Store(false)
	case strings.HasPrefix(prompt, "Push the plunger") && b.pushed < len(b.names):
		b.order(func(o *virtual.Operator) error { // from its stop onto the piston: pushed in
			err := o.Stand(b.names[b.pushed], 1)
			if strings.Contains(prompt, "press its key") {
				err = errors.Join(err, o.Rest(0.5), b.press(o))
			}
			return err
		})
		b.pushed++
		return "", true
	case strings.HasPrefix(prompt, "Push the plunger"):
		return "s", true
	case strings.HasPrefix(prompt, "Let go of the plunger. Turn the crank"):
		b.order(func(o *virtual.Operator) error { return o.Turn(6, 12) })
		return "", true
	case strings.HasPrefix(prompt, "How many counts") && b.pair.measured:
		b.order(func(o *virtual.Operator) error { return o.Turn(360, 180) })
		return "", true
	case strings.HasPrefix(prompt, "How many counts"):
		return "7200", true
	}
	return "", false
}

func (b *setupBench) run() {
	ports := []string{b.rig.EncoderPort()} // then the last indicator first: names come by pushing
	for n := len(b.names) - 1; n >= 0; n-- {
		if port := b.rig.IndicatorPort(b.names[n]); !slices.Contains(ports, port) {
			ports = append(ports, port)
		}
	}
	if b.pair.extra != "" {
		ports = append(ports, b.extraPort())
	}
	args := append([]string{"setup", "--out", b.out}, append(b.pair.args, ports...)...)
	outReader, out := io.Pipe()
	in, inWriter := io.Pipe()
	heard := make(chan struct{})
	go func() {
		defer close(heard)
		for lines := bufio.NewScanner(outReader); lines.Scan(); {
			fmt.Fprintln(&b.shown, lines.Text())
			if line, asked := b.answer(lines.Text()); asked {
				fmt.Fprintln(inWriter, line)
			}
		}
	}()
	var stderr bytes.Buffer
	status := Run(b.Context(), args, in, out, &stderr)
	out.Close()
	in.Close()
	<-heard
	if status != exitDone {
		b.Fatalf("status %d, %s; it said\n%s", status, stderr.String(), b.shown.String())
	}
	b.judge()
}

// extraPort is a third port on which nothing comes, or noise.
func (b *setupBench) extraPort() string {
	p, err := virtual.OpenPTY(func([]byte) {})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for noise := rand.New(rand.NewPCG(1, 2)); b.pair.extra == "noisy"; {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				some := make([]byte, noise.IntN(20))
				for i := range some {
					some[i] = byte(noise.Uint32())
				}
				_ = p.Write(some)
			}
		}
	}()
	b.Cleanup(func() {
		stop()
		<-done
		_ = p.Close()
	})
	return p.Path()
}

// listened is how long the slowest recognised port took, as setup told.
func (b *setupBench) listened() (most float64) {
	for line := range strings.Lines(b.shown.String()) {
		var s float64
		at := strings.LastIndex(line, "(")
		if at < 0 || !strings.Contains(line, "readings a second") && !strings.Contains(line, "modbus") {
			continue
		}
		if _, err := fmt.Sscanf(line[at:], "(%f s)", &s); err == nil {
			most = max(most, s)
		}
	}
	return most
}
