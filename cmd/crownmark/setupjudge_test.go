package main

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"crownmark/acquire"
)

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
