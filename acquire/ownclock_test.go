package acquire

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// lateClock is a device with a clock of its own behind an adapter that holds
// bytes back.
type lateClock struct {
	rng     *rand.Rand
	device  float64 // µs
	drift   float64
	arrived float64 // ns
	lumpNS  float64
}

// next lets ns pass and tells what the device says and when that arrives.
func (d *lateClock) next(nowNS, ns float64) (us, arrivalNS int64) {
	d.device += ns / 1e3 / (1 + d.drift)
	late := 1e5 * d.rng.ExpFloat64()
	if d.lumpNS > 0 {
		late += d.lumpNS - math.Mod(nowNS, d.lumpNS)
	}
	if d.rng.IntN(500) == 0 {
		late += 300e6 * d.rng.Float64() // a busy machine
	}
	d.arrived = max(nowNS+late, d.arrived)
	return int64(d.device), int64(d.arrived)
}

// counterClock is an encoder whose lines end in its own time.
func counterClock() InstrumentConfig {
	c := encoderConfig("/dev/fake")
	c.Pattern, c.ArrivalsKept = `^(?P<count>\d+),(?P<time_us>\d+)$`, true
	return c
}

// timed is what comes of readings.
func timed(t *testing.T, c InstrumentConfig, list []Reading) (out []Timed) {
	t.Helper()
	all := func(yield func(Reading, error) bool) {
		for _, r := range list {
			if !yield(r, nil) {
				return
			}
		}
	}
	for r, err := range c.Timed(all) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	if len(out) != len(list) {
		t.Fatalf("%d of %d readings came out", len(out), len(list))
	}
	return out
}

func TestOwnClock(t *testing.T) {
	for name, c := range map[string]struct {
		drift, wander, lumpNS float64
		wrap, start           int64
		resetAt, pauseAt      int
		mostMS                float64
	}{
		"a good clock":             {wrap: 1 << 32, mostMS: 0.02},
		"lumps of 16 ms":           {lumpNS: 16e6, wrap: 1 << 32, drift: 50e-6, mostMS: 2},
		"a ceramic resonator":      {drift: 4e-3, wrap: 1 << 32, mostMS: 0.02},
		"a drift that drifts":      {drift: 20e-6, wander: 1e-6, wrap: 1 << 32, mostMS: 0.1},
		"runs over at 32 bits":     {wrap: 1 << 32, start: 1<<32 - 30e6, drift: -80e-6, mostMS: 0.02},
		"runs over at six digits":  {wrap: 1e6, start: 500_000, drift: 80e-6, mostMS: 0.02},
		"runs over at 24 bits":     {wrap: 1 << 24, start: 1, drift: 80e-6, mostMS: 0.02},
		"started anew in between":  {wrap: 1 << 32, start: 40e6, resetAt: 2000, mostMS: 0.02},
		"started anew, drift, lag": {wrap: 1 << 32, start: 40e6, resetAt: 2500, drift: 300e-6, lumpNS: 4e6, mostMS: 0.5},
		"nothing kept meanwhile":   {wrap: 1e6, start: 40e6, pauseAt: 2000, drift: 80e-6, lumpNS: 4e6, mostMS: 0.5},
	} {
		t.Run(name, func(t *testing.T) {
			d := &lateClock{rng: rand.New(rand.NewPCG(7, 1)), device: float64(c.start), drift: c.drift, lumpNS: c.lumpNS}
			now := 1e9
			var list []Reading
			var truth []float64
			for i := range 6000 { // two minutes at 50 a second
				step := 20e6 * (1 + 0.1*d.rng.NormFloat64())
				if i == c.pauseAt && i > 0 {
					step += 100e9
				}
				now, d.drift = now+step, d.drift+c.wander*d.rng.NormFloat64()
				if i == c.resetAt && i > 0 {
					d.device = 0
				}
				us, arrived := d.next(now, step)
				list = append(list, Reading{Seq: int64(i + 1), AtNS: arrived, Raw: fmt.Appendf(nil, "%d,%d", i, us%c.wrap)})
				truth = append(truth, now)
			}
			arrivals, last := 0, int64(0)
			var off []float64
			for i, r := range timed(t, counterClock(), list) {
				if r.Seq != int64(i+1) || r.AtNS != list[i].AtNS || r.MadeNS < last || r.MadeNS > r.AtNS && r.MadeNS > last {
					t.Fatalf("reading %d, arrived at %d, was made at %d after %d", r.Seq, r.AtNS, r.MadeNS, last)
				}
				if last = r.MadeNS; !r.Own {
					arrivals++
					continue
				}
				off = append(off, (float64(r.MadeNS)-truth[i])/1e6)
			}
			middle := median(append([]float64(nil), off...))
			worst := 0.0
			for _, o := range off {
				worst = max(worst, math.Abs(o-middle))
			}
			if worst > c.mostMS || arrivals > resetAfter {
				t.Errorf("times wander by %.3f ms, want %.2f; %d kept their arrival", worst, c.mostMS, arrivals)
			}
		})
	}
}

// One wrong digit in the time is one reading that keeps its arrival, and
// leaves the line as it was.
func TestOwnClockWrongDigit(t *testing.T) {
	var list []Reading
	for i := range int64(1000) {
		us := 5_000_000 + i*20_000
		if i%100 == 99 {
			us += 70_000_000
		}
		list = append(list, Reading{AtNS: 1_000_000_000 + i*20_000_000, Burst: 1, Raw: fmt.Appendf(nil, "1,%d", us)})
	}
	for i, r := range timed(t, counterClock(), list) {
		if wrong := i%100 == 99; r.Own == wrong || r.MadeNS != r.AtNS || (r.Late() == 1) != wrong {
			t.Fatalf("reading %d: made at %d (own %v), arrived at %d", i, r.MadeNS, r.Own, r.AtNS)
		}
	}
}

// Streams that were kept by their own time, before arrivals were, stand as
// they are; so does what tells no time.
func TestTimesThatStand(t *testing.T) {
	old, plain := counterClock(), encoderConfig("/dev/fake")
	old.ArrivalsKept, plain.ArrivalsKept = false, true
	list := []Reading{{AtNS: 5e9, Burst: 2, Raw: []byte("1,100")}, {AtNS: 9e9, Raw: []byte("2,300")}, {AtNS: 9e9, Raw: []byte("3,500")}}
	for _, c := range []InstrumentConfig{old, plain} {
		for i, r := range timed(t, c, list) {
			if r.Own || r.MadeNS != list[i].AtNS || r.Late() != list[i].Burst {
				t.Errorf("%q: %+v of %+v", c.Pattern, r, list[i])
			}
		}
	}
}

func TestWhoTellsTime(t *testing.T) {
	if !counterClock().tellsTime() || encoderConfig("").tellsTime() {
		t.Error("whose time counts was mistaken")
	}
	c := counterClock()
	c.ArrivalsKept = false
	if text := settingsJSON(c.asKept()); !strings.Contains(text, `"arrivals_kept":true`) {
		t.Errorf("kept as %s", text)
	}
	if text := settingsJSON(encoderConfig("").asKept()); strings.Contains(text, "arrivals") {
		t.Errorf("kept as %s", text)
	}
}
