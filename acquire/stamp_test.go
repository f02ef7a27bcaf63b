package acquire

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"
)

// Stamps on a pseudo-terminal against the clock of whoever writes: the writer
// notes when it wrote, the reader's stamp may only be later.

// writeLines writes lines; each holds its number, so that it is known
// again whatever was lost.
func writeLines(line *ptyLine, now func() int64, n, each int, every time.Duration) (atNS []int64) {
	atNS = make([]int64, n)
	tick := time.NewTicker(every)
	defer tick.Stop()
	for i := 0; i < n; i += each {
		<-tick.C
		text := ""
		for j := i; j < min(i+each, n); j++ {
			text += fmt.Sprintf("%d\r\n", j)
		}
		at := now()
		for j := i; j < min(i+each, n); j++ {
			atNS[j] = at
		}
		line.say(text)
	}
	return atNS
}

// stamped lets a source read lines and gives how late each was stamped, in
// order, and what its rhythm says of them.
func stamped(t testing.TB, n, each int, every time.Duration) (lateMS []float64, bursts int, r Rhythm) {
	line := newPtyLine(t)
	start := time.Now()
	now := func() int64 { return time.Since(start).Nanoseconds() }
	s := line.source([]InstrumentConfig{encoderConfig(line.path)}, now)
	if err := s.Open(context.Background()); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := s.Read(); err != nil {
			t.Fatal(err)
		}
	}
	wrote := make(chan []int64, 1)
	go func() { wrote <- writeLines(line, now, n, each, every) }()
	var readings []Reading
	var one rhythm
	for deadline := time.Now().Add(30 * time.Second); len(readings) < n; {
		h, err := s.Read()
		if err != nil || time.Now().After(deadline) {
			t.Fatalf("%d of %d lines read, %v", len(readings), n, err)
		}
		readings = append(readings, h.Readings...)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	at := <-wrote
	for i, x := range readings {
		if x.Ticks != int64(i) {
			t.Fatalf("line %d says %d", i, x.Ticks)
		}
		late := float64(x.AtNS-at[i]) / 1e6
		if late < 0 {
			t.Fatalf("line %d was stamped %.3f ms before it was written", i, -late)
		}
		lateMS = append(lateMS, late)
		one.add(x.AtNS, x.Burst)
		if x.Burst > 0 {
			bursts++
		}
	}
	return lateMS, bursts, one.read()
}

func quantile(v []float64, q float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[min(len(v)-1, int(q*float64(len(v))))]
}

// The jitter that is reported bounds what was measured, with the machine idle
// and with every core busy. The bound is of the stamps' own stray: how long the
// promptest took is no jitter.
func TestReportedJitterBoundsTheMeasured(t *testing.T) {
	for _, busy := range []bool{false, true} {
		name := "as it is"
		if busy {
			name = "cores busy"
		}
		t.Run(name, func(t *testing.T) {
			if busy {
				keepBusy(t)
			}
			late, _, r := stamped(t, 240, 1, 5*time.Millisecond)
			measured := quantile(late, 1) - quantile(late, 0)
			if r.JitterMS == nil || *r.JitterMS < measured {
				t.Errorf("reported %v ms, measured %.3f ms", finite(r.JitterMS), measured)
			}
			t.Logf("stamped late by %.3f ms (p50), %.3f (p99), %.3f (most); reported jitter %.3f ms", quantile(late, 0.5), quantile(late, 0.99), quantile(late, 1), finite(r.JitterMS))
		})
	}
}

// Lines that arrive in lumps are known as lumps, and how far those are apart.
func TestBurstsAreKnown(t *testing.T) {
	_, bursts, r := stamped(t, 240, 8, 16*time.Millisecond)
	if bursts < 120 || r.BatchMS == nil || *r.BatchMS < 12 || r.BurstShare < 0.5 { // seven of eight come behind another
		t.Errorf("%d of 240 known as behind another, lumps %v ms apart, share %.2f", bursts, finite(r.BatchMS), r.BurstShare)
	}
}

// keepBusy gives every core more to do than it can.
func keepBusy(t *testing.T) {
	stop := make(chan struct{})
	for range 4 {
		go func() {
			for x := uint64(1); ; x = x*6364136223846793005 + 1 {
				select {
				case <-stop:
					return
				default:
				}
			}
		}()
	}
	t.Cleanup(func() { close(stop) })
}

// BenchmarkStampError says how late stamps are, in ms.
func BenchmarkStampError(b *testing.B) {
	for b.Loop() {
		late, _, r := stamped(b, 2000, 1, 5*time.Millisecond)
		b.ReportMetric(quantile(late, 0.5), "p50-ms")
		b.ReportMetric(quantile(late, 0.99), "p99-ms")
		b.ReportMetric(quantile(late, 1), "most-ms")
		b.ReportMetric(finite(r.JitterMS), "reported-ms")
	}
}
