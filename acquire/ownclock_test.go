package acquire

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"
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

func TestOwnClock(t *testing.T) {
	for name, c := range map[string]struct {
		drift, wander, lumpNS float64
		wrap, start           int64
		resetAt               int
		mostMS                float64
	}{
		"a good clock":             {wrap: 1 << 32, mostMS: 0.3},
		"lumps of 16 ms":           {lumpNS: 16e6, wrap: 1 << 32, drift: 50e-6, mostMS: 3},
		"a ceramic resonator":      {drift: 4e-3, wrap: 1 << 32, mostMS: 0.5},
		"a drift that drifts":      {drift: 20e-6, wander: 1e-6, wrap: 1 << 32, mostMS: 0.5},
		"runs over at 32 bits":     {wrap: 1 << 32, start: 1<<32 - 30e6, drift: -80e-6, mostMS: 0.3},
		"runs over at six digits":  {wrap: 1e6, start: 500_000, drift: 80e-6, mostMS: 0.3},
		"runs over at 24 bits":     {wrap: 1 << 24, start: 1, drift: 80e-6, mostMS: 0.3},
		"started anew in between":  {wrap: 1 << 32, start: 40e6, resetAt: 2000, mostMS: 0.3},
		"started anew, drift, lag": {wrap: 1 << 32, start: 40e6, resetAt: 2500, drift: 300e-6, lumpNS: 4e6, mostMS: 2},
	} {
		t.Run(name, func(t *testing.T) {
			d := &lateClock{rng: rand.New(rand.NewPCG(7, 1)), device: float64(c.start), drift: c.drift, lumpNS: c.lumpNS}
			var clock ownClock
			now, arrivals, last, since := 1e9, 0, int64(0), 0
			var off []float64
			for i := range 6000 { // two minutes at 50 a second
				step := 20e6 * (1 + 0.1*d.rng.NormFloat64())
				now, d.drift = now+step, d.drift+c.wander*d.rng.NormFloat64()
				if since++; i == c.resetAt && i > 0 {
					d.device, since = 0, 0
				}
				us, arrived := d.next(now, step)
				at, own := clock.stamp(us%c.wrap, arrived)
				if at < last || at > arrived && at > last {
					t.Fatalf("reading %d, arrived at %d, is stamped %d after %d", i, arrived, at, last)
				}
				if last = at; !own {
					arrivals++
				}
				if since > 150 { // three seconds to learn
					off = append(off, (float64(at)-now)/1e6)
				}
			}
			middle := median(append([]float64(nil), off...))
			worst := 0.0
			for _, o := range off {
				worst = max(worst, math.Abs(o-middle))
			}
			if worst > c.mostMS || arrivals > resetAfter {
				t.Errorf("stamps wander by %.3f ms, want %.1f; %d kept their arrival", worst, c.mostMS, arrivals)
			}
			told, restarts := clock.told(), 0
			if c.resetAt > 0 {
				restarts = 1
			}
			if told.GainsPPM == nil || math.Abs(*told.GainsPPM+d.drift*1e6) > 40 || told.Restarted != restarts || told.LateMS != float64(int64(d.arrived)-last)/1e6 {
				t.Errorf("told %+v (gains %v), the device gains %.0f ppm", told, told.GainsPPM, -d.drift*1e6)
			}
			if over := c.start+120e6 > c.wrap && c.resetAt == 0; over != (told.RunsOver == c.wrap) {
				t.Errorf("runs over at %d, told %d", c.wrap, told.RunsOver)
			}
		})
	}
}

// One wrong digit in the time is one reading that keeps its arrival, and
// leaves the line as it was.
func TestOwnClockWrongDigit(t *testing.T) {
	var clock ownClock
	for i := range int64(1000) {
		us, arrived := 5_000_000+i*20_000, 1_000_000_000+i*20_000_000
		said := us
		if i%100 == 99 {
			said += 70_000_000
		}
		at, own := clock.stamp(said, arrived)
		if own == (said != us) || at != arrived {
			t.Fatalf("reading %d: %d, %v; arrived at %d", i, at, own, arrived)
		}
	}
}

// What comes in one lump came at one time, whatever its instrument's clock
// says: the rhythm tells of arrivals.
func TestRhythmOfOwnClockIsOfArrivals(t *testing.T) {
	line := newFakeLine()
	start := time.Now()
	c := encoderConfig("/dev/fake")
	c.Pattern = `^(?P<count>\d+),(?P<time_us>\d+)$`
	s := line.source([]InstrumentConfig{c}, func() int64 { return time.Since(start).Nanoseconds() })
	if err := s.Open(context.Background()); err != nil {
		t.Fatal(err)
	}
	quiet := func() {
		for range 3 {
			if _, err := s.Read(); err != nil {
				t.Fatal(err)
			}
		}
	}
	quiet() // so that the first line is whole
	line.say("1,100000\n2,110000\n3,120000\n")
	hear(t, s, 3, 0)
	quiet()
	line.say("4,130000\n5,140000\n6,150000\n")
	h := hear(t, s, 3, 0)
	if len(h.Clocks) != 1 || h.Clocks[0] == nil || h.Clocks[0].LateMS != float64(h.Readings[2].LateNS)/1e6 {
		t.Errorf("told of clocks: %+v", h.Clocks)
	}
	r := h.Readings
	for i, one := range r {
		if i > 0 && one.AtNS <= r[i-1].AtNS {
			t.Errorf("reading %d is stamped %d, the one before %d: not by its own time", i, one.AtNS, r[i-1].AtNS)
		}
		if one.AtNS+one.LateNS != r[0].AtNS+r[0].LateNS {
			t.Errorf("reading %d: stamped %d, came %d later", i, one.AtNS, one.LateNS)
		}
	}
	if c.tellsTime() != true || encoderConfig("").tellsTime() {
		t.Error("whose time counts was mistaken")
	}
}
