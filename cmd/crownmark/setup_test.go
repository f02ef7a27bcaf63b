package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"crownmark/acquire"
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

// judge: the file is good, says what is so, and what it describes can be read.
func (b *setupBench) judge() {
	var checked bytes.Buffer
	if status := Run(b.Context(), []string{"check", b.out}, nil, &checked, &checked); status != exitDone {
		b.Errorf("check: %s", checked.String())
	}
	file, err := readBench(b.out)
	if err != nil {
		text, _ := os.ReadFile(b.out)
		b.Fatalf("%v\n%s", err, text)
	}
	all := append([]acquire.InstrumentConfig{file.config().Encoder}, file.config().Indicators...)
	if len(all) != 1+len(b.names) {
		b.Fatalf("%d instruments; it said\n%s", len(all), b.shown.String())
	}
	b.compare(all[0], b.rig.EncoderPort(), b.pair.want[0], max(-1, 2*b.pair.direction+1))
	for n, name := range []string{"left", "right", "indicator 3"}[:len(b.names)] {
		i := slices.IndexFunc(all, func(c acquire.InstrumentConfig) bool { return c.Name == name })
		b.compare(all[max(i, 0)], b.rig.IndicatorPort(b.names[n]), b.pair.want[1+n], 1)
	}
	b.read(all)
	text, err := os.ReadFile(b.out)
	if err != nil || strings.Contains(string(text), "NOT CONFIRMED") || strings.Contains(b.shown.String(), "Nothing moved") {
		b.Errorf("it did not see what moved: %v", err)
	}
	if b.Failed() {
		b.Logf("it said\n%sand wrote\n%s", b.shown.String(), text)
	}
}

func (b *setupBench) compare(c acquire.InstrumentConfig, port, want string, direction int) {
	got := strings.TrimSpace(fmt.Sprintf("%d %s %s %s", c.Baud, c.Frame, c.Format, c.Encoding+c.Type))
	if c.Format == "modbus-rtu" {
		got += " " + c.WordOrder
	}
	if got != want || c.Port != port || c.Direction != direction {
		b.Errorf("%s: %s at %s, direction %d; want %s at %s, %d", c.Kind, got, c.Port, c.Direction, want, port, direction)
	}
	const byHand = 2 // counts, of a full turn
	if off := math.Abs(c.CountsPerRev - 7200); c.Kind == acquire.KindEncoder && (off > byHand || off > 0 && !b.pair.measured) {
		b.Errorf("%g counts a turn", c.CountsPerRev)
	}
}

// read reads the instruments as described: their last numbers must be such as
// were said.
func (b *setupBench) read(all []acquire.InstrumentConfig) {
	w, err := acquire.NewWatching(all)
	if err != nil {
		b.Fatal(err)
	}
	b.presses.Store(true)
	for deadline := time.Now().Add(10 * time.Second); ; {
		heard, err := w.Heard()
		var moves []acquire.Move
		for n, h := range heard {
			moves = append(moves, acquire.MoveOf(all[n], h))
		}
		if err != nil || time.Now().After(deadline) {
			b.Errorf("read %+v, %v", moves, err)
			break
		}
		if !slices.ContainsFunc(moves, func(m acquire.Move) bool { return m.Readings < 2 }) {
			for n, m := range moves {
				name := all[n].Name
				if name == "indicator 3" {
					name = "third"
				}
				b.wasSaid(name, m.Value)
			}
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if err := w.Close(); err != nil {
		b.Error(err)
	}
}

func (b *setupBench) wasSaid(instrument string, value float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !slices.ContainsFunc(b.said[instrument], func(s string) bool {
		v, err := strconv.ParseFloat(s, 64)
		return err == nil && v-value < 1e-9 && value-v < 1e-9
	}) {
		b.Errorf("%s: read %g, which was never said", instrument, value)
	}
}
