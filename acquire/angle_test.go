package acquire

import (
	"testing"

	"pgregory.net/rapid"
)

func TestCountStep(t *testing.T) {
	for _, c := range []struct {
		name     string
		from, to int64
		perTurn  float64
		want     int64
	}{
		{"forward", 100, 130, 7200, 30},
		{"back through zero", 5, -20, 7200, -25},
		{"one-turn counter runs over", 7199, 1, 7200, 2},
		{"and under", 3, 7198, 7200, -5},
		{"signed one-turn counter", 3599, -3600, 7200, 1},
		{"16 bits", 65535, 2, 7200, 3},
		{"signed 16 bits", -32768, 32767, 7200, -1},
		{"24 bits", 1<<24 - 1, 4, 10000, 5},
		{"32 bits", 1, 1<<32 - 1, 10000, -2},
		{"signed 32 bits", 1<<31 - 1, -1 << 31, 10000, 1},
		{"degrees with two decimals", 35999, 1, 36000, 2},
		{"a counter past one turn does not run over there", 7300, 40, 7200, -7260},
		{"a broken number of counts a turn", 7199, 1, 7200.5, -7198},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := CountStep(c.from, c.to, c.perTurn); got != c.want {
				t.Errorf("from %d to %d: %d, want %d", c.from, c.to, got, c.want)
			}
		})
	}
}

// Whatever a one-turn counter does in small steps, the sum of steps is the way.
func TestCountStepAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const turn = 7200
		way, shown := int64(0), rapid.Int64Range(0, turn-1).Draw(t, "start")
		start := shown
		for _, step := range rapid.SliceOf(rapid.Int64Range(-1500, 1500)).Draw(t, "steps") {
			next := ((shown+step)%turn + turn) % turn
			way += CountStep(shown, next, turn)
			shown = next
		}
		if ((start+way)%turn+turn)%turn != shown {
			t.Fatalf("from %d by %d is not %d", start, way, shown)
		}
	})
}

// counts feeds a tracker at 20 readings a second and returns what it said.
func counts(tr *tracker, atNS int64, ticks ...int64) (said []trackVerdict) {
	for i, n := range ticks {
		said = append(said, tr.add(Reading{AtNS: atNS + int64(i)*50e6, Ticks: n, Unit: UnitCount}))
	}
	return said
}

func TestTracker(t *testing.T) {
	const good, doubted, lost = trackGood, trackDoubted, trackLost
	for _, c := range []struct {
		name  string
		ticks []int64
		want  []trackVerdict
		deg   float64
	}{
		{"turning", []int64{0, 20, 40}, []trackVerdict{good, good, good}, 2},
		{"through the run-over", []int64{7190, 10, 30}, []trackVerdict{good, good, good}, 361.5},
		{"one wrong digit", []int64{5000, 500, 5010}, []trackVerdict{good, doubted, good}, 250.5},
		{"two different wrong digits", []int64{50000, 500, 5000, 50010}, []trackVerdict{good, doubted, doubted, good}, 2500.5},
		{"set to zero", []int64{50000, 0, 0, 0, 0}, []trackVerdict{good, doubted, doubted, lost, good}, 0},
		{"set to zero while turning", []int64{50000, 10, 20, 30, 40}, []trackVerdict{good, doubted, doubted, lost, good}, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := tracker{cfg: InstrumentConfig{CountsPerRev: 7200, Direction: 1}}
			said := counts(&tr, 0, c.ticks...)
			for i := range c.want {
				if said[i] != c.want[i] {
					t.Fatalf("said %v, want %v", said, c.want)
				}
			}
			if got := tr.angleDeg(); got != c.deg {
				t.Errorf("stands at %v°, want %v°", got, c.deg)
			}
		})
	}
}

// After a silence a counter must stand where it stood.
func TestTrackerAfterSilence(t *testing.T) {
	for ticks, want := range map[int64]trackVerdict{30: trackGood, -39: trackGood, 60: trackLost, 0: trackGood} {
		tr := tracker{cfg: InstrumentConfig{CountsPerRev: 7200, Direction: -1}}
		counts(&tr, 0, 0, 0, 0, 0)
		said := counts(&tr, 4e9, ticks, ticks, ticks)
		if said[2] != want {
			t.Errorf("%d counts after a silence: %v, want %v at the third", ticks, said, want)
		}
	}
}

func TestTrackerResumes(t *testing.T) {
	for ticks, want := range map[int64]bool{1000: true, 1040: true, 960: true, 1041: false, 0: false} {
		tr := tracker{cfg: InstrumentConfig{CountsPerRev: 7200, Direction: 1}}
		counts(&tr, 0, 1000)
		if got := tr.resume(Reading{AtNS: 9e9, Ticks: ticks, Unit: UnitCount}); got != want {
			t.Errorf("1000 counts before, %d after: same mount %v, want %v", ticks, got, want)
		}
	}
}
