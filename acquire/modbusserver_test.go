package acquire

import (
	"bufio"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// otherServer runs testdata/modbusserver.py, a server of another maker, at the
// far end of a pair of pseudo-terminals, and returns the near end.
func otherServer(t testing.TB) string {
	t.Helper()
	near, far := filepath.Join(t.TempDir(), "near"), filepath.Join(t.TempDir(), "far")
	run(t, exec.Command("socat", "pty,raw,echo=0,link="+near, "pty,raw,echo=0,link="+far))
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		_, err1 := os.Stat(near)
		_, err2 := os.Stat(far)
		if err1 == nil && err2 == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("socat made no ports: %v, %v", err1, err2)
		}
	}
	server := exec.Command("/usr/bin/python3", "testdata/modbusserver.py", far) // Debian's, for which pymodbus is installed
	out, err := server.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	run(t, server)
	if line, err := bufio.NewReader(out).ReadString('\n'); line != "ready\n" {
		t.Fatalf("the server said %q, %v; .ci/need installs what it needs", line, err)
	}
	return near
}

// run starts a program and ends it with the test.
func run(t testing.TB, cmd *exec.Cmd) {
	t.Helper()
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // killed
	})
}

func otherServersInstruments(port string, everyMS int) []InstrumentConfig {
	counts, heights := modbusConfig("encoder", port), modbusConfig("left", port)
	counts.Kind, counts.CountsPerRev, counts.Scale, counts.IntervalMS = KindEncoder, 7200, 1, everyMS
	heights.UnitID, heights.Function, heights.Register, heights.IntervalMS = 2, 4, 16, everyMS
	heights.Type, heights.WordOrder, heights.Scale = "float32", "low-first", 1
	return []InstrumentConfig{counts, heights}
}

func openSource(t testing.TB, cfgs []InstrumentConfig) *serialSource {
	t.Helper()
	start := time.Now()
	s, err := newSerialSource(cfgs, func() int64 { return time.Since(start).Nanoseconds() })
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Open(context.Background()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// Two instruments on a bus whose every byte comes from somebody else's program:
// the n-th answer of each is known.
func TestAnotherMakersModbus(t *testing.T) {
	s := openSource(t, otherServersInstruments(otherServer(t), 10))
	last := []int64{0, 0}
	for deadline := time.Now().Add(30 * time.Second); last[0] < 100 || last[1] < 100; {
		h, err := s.Read()
		if err != nil || len(h.Faults) > 0 || time.Now().After(deadline) {
			t.Fatalf("heard %v answers, then %+v, %v", last, h, err)
		}
		for _, r := range h.Readings {
			n := (r.Ticks + 70_000) / 1000
			want := Reading{Ticks: 1000*n - 70_000, Unit: UnitCount}
			if r.Stream == 1 {
				n = (r.Ticks + 20_000_000) / 125_000
				want = Reading{Ticks: 125_000*n - 20_000_000, Decimals: 6, Unit: UnitMM}
			}
			if r.Ticks != want.Ticks || r.Decimals != want.Decimals || r.Unit != want.Unit || n != last[r.Stream]+1 {
				t.Fatalf("answer %d of instrument %d is %+v, want %+v", last[r.Stream]+1, r.Stream, r, want)
			}
			last[r.Stream] = n
		}
	}
}

func TestAnotherMakersModbusRefuses(t *testing.T) {
	cfgs := otherServersInstruments(otherServer(t), 10)[:1]
	cfgs[0].Register = 400
	s := openSource(t, cfgs)
	h := hear(t, s, 0, 3)
	if f := h.Faults[0]; f.Reason != UnusedError || f.Cause != "it has no such register (exception 2)" || len(h.Readings) > 0 {
		t.Errorf("heard %+v", h)
	}
}

// BenchmarkAnotherMakersModbus asks as fast as the file allows, each 5 ms. One
// instrument must come at 50 a second.
func BenchmarkAnotherMakersModbus(b *testing.B) {
	for name, n := range map[string]int{"one": 1, "two on a bus": 2} {
		b.Run(name, func(b *testing.B) {
			s := openSource(b, otherServersInstruments(otherServer(b), 5)[:n])
			heard, began := 0, time.Time{}
			for time.Since(began) < 5*time.Second || began.IsZero() {
				h, err := s.Read()
				if err != nil {
					b.Fatal(err)
				}
				if began.IsZero() && len(h.Readings) > 0 {
					began = time.Now()
				} else {
					heard += len(h.Readings)
				}
			}
			rate := float64(heard) / time.Since(began).Seconds() / float64(n)
			b.ReportMetric(rate, "readings/s")
			b.ReportMetric(0, "ns/op")
			if n == 1 && rate < 50 {
				b.Errorf("%.0f readings a second", rate)
			}
		})
	}
}
