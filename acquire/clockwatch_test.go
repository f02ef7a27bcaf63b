package acquire

import (
	"fmt"
	"math"
	"testing"
)

// A counter whose clock gains 80 ppm and runs over at a million, is switched
// off and on, and whose lines come up to 8 ms late.
func TestClockWatch(t *testing.T) {
	if newClockWatch(encoderConfig("/dev/enc")).told() != nil {
		t.Error("told of a clock where there is none")
	}
	w := newClockWatch(counterClock())
	var device float64
	say := func(n int, from int64) {
		for i := range int64(n) {
			device += 10_000 * (1 + 80e-6)
			w.add(Reading{AtNS: from + i*10_000_000 + i%5*2_000_000, Raw: fmt.Appendf(nil, "%d,%d", i, int64(device)%1_000_000)})
		}
	}
	say(2000, 1e9)
	got := w.told()
	if got.GainsPPM == nil || math.Abs(*got.GainsPPM-80) > 5 || got.RunsOver != 1_000_000 || got.Restarted != 0 || math.Abs(got.LateMS-8) > 0.3 {
		t.Errorf("told %+v, gains %v", got, got.GainsPPM)
	}
	device += 500_000
	say(10, 21_000_000_000)
	if got = w.told(); got.Restarted != 1 || got.GainsPPM != nil {
		t.Errorf("after it was switched off and on: %+v", got)
	}
	w.open()
	if got = w.told(); *got != (OwnClock{}) {
		t.Errorf("after the port was opened: %+v", got)
	}
}
