package acquire

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"crownmark/acquire/replay"
)

// What is captured is what was said, byte for byte, in order, through a port
// that goes and comes back.
func TestCapture(t *testing.T) {
	enc, ind := newPtyLine(t), newPtyLine(t)
	left := indicatorConfig("left bank", ind.path)
	left.Request, left.IntervalMS = "R", 40
	cfg := []InstrumentConfig{encoderConfig(enc.path), left}
	if p := CapturePorts(cfg); len(p) != 2 || p[0].Name != "encoder" || p[1].Name != "left-bank" || p[0].Frame != "8N1" {
		t.Errorf("ports %+v", p)
	}
	var mu sync.Mutex
	heard, came := map[int]string{}, make(chan string, 1000)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		done <- Capture(ctx, cfg, func(e replay.Event) error {
			mu.Lock()
			defer mu.Unlock()
			heard[e.Port] += map[replay.Kind]string{replay.Gone: "[gone]", replay.Back: "[back]"}[e.Kind]
			if e.Kind == replay.Came {
				heard[e.Port] += string(e.Bytes)
			}
			came <- string(rune('0'+e.Port)) + string(e.Kind)
			return nil
		})
	}()
	await := func(what string) {
		t.Helper()
		for timeout := time.After(10 * time.Second); ; {
			select {
			case got := <-came:
				if got == what {
					return
				}
			case <-timeout:
				t.Fatalf("waited in vain for %q", what)
			}
		}
	}
	await("1>") // both are open
	enc.say("12\r\n\x00\xff")
	await("0<")
	enc.unplug()
	await("0-")
	enc.plug()
	await("0+")
	enc.say("13\r\n")
	ind.say("+1.5\r")
	for n := 0; n < 2; n++ { // their order is not known
		select {
		case <-came:
		case <-time.After(10 * time.Second):
		}
	}
	until := time.Now().Add(10 * time.Second)
	for both := false; !both && time.Now().Before(until); time.Sleep(10 * time.Millisecond) {
		mu.Lock()
		both = strings.HasSuffix(heard[0], "13\r\n") && heard[1] == "+1.5\r"
		mu.Unlock()
	}
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if heard[0] != "12\r\n\x00\xff[gone][back]13\r\n" || heard[1] != "+1.5\r" {
		t.Errorf("captured %q and %q", heard[0], heard[1])
	}
}

func TestCaptureSaysWhatStopsIt(t *testing.T) {
	line := newPtyLine(t)
	full := errors.New("the disk is full")
	cfg := indicatorConfig("left", line.path)
	cfg.Request, cfg.IntervalMS = "R", 5
	if err := Capture(context.Background(), []InstrumentConfig{cfg}, func(replay.Event) error { return full }); !errors.Is(err, full) {
		t.Errorf("got %v", err)
	}
	var e *PortError
	cfg.Port = "/dev/nothing"
	if err := Capture(context.Background(), []InstrumentConfig{cfg}, func(replay.Event) error { return nil }); !errors.As(err, &e) || e.Trouble != PortAbsent {
		t.Errorf("got %v", err)
	}
}
