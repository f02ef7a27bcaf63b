package main

import (
	"bufio"
	"bytes"
	"context"
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
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
)

// setupPair is an encoder and an indicator on a virtual bench, whose ports are
// heard only at their own speed and frame, and what setup should write of them.
type setupPair struct {
	name               string
	encoder, indicator virtual.Voice
	direction          int // of the encoder
	inches             bool
	hz                 [2]float64 // of encoder and indicator
	extra              string     // a third port: "silent" or "noisy"
	args               []string
	measured           bool      // the counts of a turn, by turning once
	silent             string    // answer to what silent ports may be asked
	want               [2]string // baud, frame, format of each
}

func shape(baud int, frame string) virtual.Shape {
	return virtual.Shape{Baud: baud, DataBits: int(frame[0] - '0'), Parity: frame[1], StopBits: int(frame[2] - '0')}
}

// setupPairs: of frames with two stop bits only one is heard, and 8N1 hears
// what 8E1 says.
func setupPairs() []setupPair {
	return []setupPair{
		{name: "counter, mm", measured: true, encoder: virtual.Voice{Shape: shape(115200, "8N1")}, indicator: virtual.Voice{Shape: shape(9600, "8N1")},
			want: [2]string{"115200 8N1 line", "9600 8N1 line"}},
		{name: "7E1, 7O1, comma, no unit", direction: -1, encoder: virtual.Voice{Shape: shape(9600, "7E1"), End: "\n"},
			indicator: virtual.Voice{Shape: shape(4800, "7O1"), End: "\r", Comma: true, Bare: true}, want: [2]string{"9600 7E1 line", "4800 7O1 line"}},
		{name: "axis letter and own time, status and 7E2", encoder: virtual.Voice{Shape: shape(57600, "8N1"), Prefix: "X", Clock: &virtual.Clock{StartUS: 1 << 31}},
			indicator: virtual.Voice{Shape: shape(2400, "7E2"), Prefix: "01A", Bare: true, End: "\r"}, hz: [2]float64{100, 5}, want: [2]string{"57600 8N1 line", "2400 7E1 line"}},
		{name: "own time, bcd hex", encoder: virtual.Voice{Shape: shape(115200, "8N1"), Clock: &virtual.Clock{StartUS: 1 << 30}},
			indicator: virtual.Voice{Format: "bcd-hex", Shape: shape(9600, "8N1")}, want: [2]string{"115200 8N1 line", "9600 8N1 bcd-frame hex"}},
		{name: "counting down, bcd packed", direction: -1, encoder: virtual.Voice{Shape: shape(38400, "8N1")},
			indicator: virtual.Voice{Format: "bcd-packed", Shape: shape(19200, "8N1")}, want: [2]string{"38400 8N1 line", "19200 8N1 bcd-frame packed"}},
		{name: "both on one Modbus", silent: "a", encoder: virtual.Voice{Format: "modbus-rtu", Unit: 2, Function: 4, Register: 16, Type: "int32", Scale: 1, Shape: shape(19200, "8E1")},
			indicator: virtual.Voice{Format: "modbus-rtu", Port: "encoder", Unit: 1, Function: 3, Type: "int32", Scale: 0.001, Shape: shape(19200, "8E1")},
			want:      [2]string{"19200 8E1 modbus-rtu int32 high-first", "19200 8E1 modbus-rtu int32 high-first"}},
		{name: "lines, Modbus float low word first", args: []string{"--modbus"}, encoder: virtual.Voice{Shape: shape(9600, "8N1")},
			indicator: virtual.Voice{Format: "modbus-rtu", Unit: 3, Function: 3, Type: "float32", LowFirst: true, Scale: 1, Shape: shape(9600, "8N1")},
			want:      [2]string{"9600 8N1 line", "9600 8N1 modbus-rtu float32 low-first"}},
		{name: "slow inches, and a silent port", extra: "silent", inches: true, encoder: virtual.Voice{Shape: shape(19200, "8N1")}, indicator: virtual.Voice{Shape: shape(1200, "8N1")},
			hz: [2]float64{50, 3}, want: [2]string{"19200 8N1 line", "1200 8N1 line"}},
		{name: "two on one port, and a noisy one", extra: "noisy", encoder: virtual.Voice{Prefix: "X", Shape: shape(38400, "8N1")}, indicator: virtual.Voice{Port: "encoder", Shape: shape(38400, "8N1")},
			want: [2]string{"38400 8N1 line", "38400 8N1 line"}},
		{name: "fast, and asked by a request", args: []string{"--request", `R\r`}, hz: [2]float64{500, 20}, encoder: virtual.Voice{Shape: shape(230400, "8N1")},
			indicator: virtual.Voice{Asked: "R\r", Shape: shape(4800, "7E1")}, want: [2]string{"230400 8N1 line", "4800 7E1 line"}},
	}
}

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
	truth := virtual.Draw(e, 3, d)
	truth.Encoder.StartDeg, truth.Encoder.OffsetDeg = -8, 40
	b := &setupBench{T: t, pair: p, do: make(chan func(*virtual.Operator) error), did: make(chan error), said: map[string][]string{}}
	b.out = filepath.Join(t.TempDir(), "bench.toml")
	rig, err := virtual.NewRig(truth, virtual.RigOptions{Dir: t.TempDir(), Script: b.script, Said: b.note,
		Voices: map[string]virtual.Voice{"encoder": p.encoder, "left": p.indicator}})
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
	for {
		select {
		case do := <-b.do:
			b.did <- do(o)
		default:
			if err := o.Rest(0.05); err != nil {
				return err
			}
		}
	}
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
		return b.pair.silent, true
	case strings.HasPrefix(prompt, "Push the plunger"):
		b.order(func(o *virtual.Operator) error { return o.Stand("left", 1) }) // from its stop onto the piston: pushed in
		return "", true
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
	ports := []string{b.rig.EncoderPort()}
	if left := b.rig.IndicatorPort("left"); left != ports[0] {
		ports = append(ports, left)
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
	if len(all) != 2 {
		b.Fatalf("%d instruments; it said\n%s", len(all), b.shown.String())
	}
	b.compare(all[0], b.rig.EncoderPort(), b.pair.want[0], max(-1, 2*b.pair.direction+1))
	b.compare(all[1], b.rig.IndicatorPort("left"), b.pair.want[1], 1)
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
	for deadline := time.Now().Add(10 * time.Second); ; {
		heard, err := w.Heard()
		moves := []acquire.Move{acquire.MoveOf(all[0], heard[0]), acquire.MoveOf(all[1], heard[1])}
		if err != nil || time.Now().After(deadline) {
			b.Errorf("read %+v, %v", moves, err)
			break
		}
		if !slices.ContainsFunc(moves, func(m acquire.Move) bool { return m.Readings < 2 }) {
			b.wasSaid("encoder", moves[0].Value)
			b.wasSaid("left", moves[1].Value)
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
