package acquire

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"
)

// talker is an instrument on a pseudo-terminal that goes on talking while its
// plug is pulled and put back. It keeps what it said, so that every reading in
// the store can be held against it. The last three digits of a line are its
// running number.
type talker struct {
	mu      sync.Mutex
	line    *ptyLine
	plugged bool
	n       int
	said    map[string][]saidAt // by the line
	now     func() int64
}

type saidAt struct {
	n    int
	atNS int64
}

func newTalker(t *testing.T, now func() int64) *talker {
	return &talker{line: newPtyLine(t), plugged: true, said: map[string][]saidAt{}, now: now}
}

// say says a line, often in two writes; what nobody can hear is not said.
func (k *talker) say(text func(n int) string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.n++
	if !k.plugged {
		return
	}
	line := text(k.n)
	k.said[line] = append(k.said[line], saidAt{k.n, k.now()})
	if cut := k.n % (len(line) + 2); cut < len(line) {
		k.line.say(line[:cut])
		k.line.say(line[cut:] + "\r\n")
		return
	}
	k.line.say(line + "\r\n")
}

// pull pulls the plug, in the middle of a line if it falls so.
func (k *talker) pull(half bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if half {
		k.line.say("-00")
	}
	k.line.unplug()
	k.plugged = false
}

// put puts it back; a device that boots says something else first.
func (k *talker) put(boots string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.line.plug()
	k.plugged = true
	if boots != "" {
		k.line.say(boots)
	}
}

// plugBench is a crank that is turned to and fro without end under an encoder and an
// indicator.
type plugBench struct {
	*realBench
	rec      *memory
	talkers  [2]*talker
	started  time.Time
	reopened []time.Duration
	pulls    [2]int // that the bench noticed
}

const (
	plugCounts   = 7_200_000 // a turn: the running number is 0.05° at most
	plugSweepDeg = 30.0
	plugSpeed    = 20.0 // °/s
)

// crankDeg goes to and fro between ±30°.
func crankDeg(seconds float64) float64 {
	period := 4 * plugSweepDeg / plugSpeed
	x := math.Mod(seconds, period) / period
	return plugSweepDeg * (1 - 4*math.Abs(x-0.5))
}

func encoderLine(deg float64) func(int) string {
	return func(n int) string { return strconv.Itoa(int(math.Round(deg*20))*1000 + n%1000) }
}

func heightLine(deg float64) func(int) string {
	return func(n int) string { return fmt.Sprintf("%+.3f%03d mm", pistonMM(deg), n%1000) }
}

func newPlugBench(t *testing.T) *plugBench {
	p := &plugBench{rec: &memory{}, started: time.Now()}
	for i := range p.talkers {
		p.talkers[i] = newTalker(t, p.now)
	}
	enc, ind := encoderConfig(p.talkers[0].line.path), indicatorConfig("left", p.talkers[1].line.path)
	enc.CountsPerRev = plugCounts
	p.realBench = startBench(t, p.rec, Config{Encoder: enc, Indicators: []InstrumentConfig{ind}, Sweep: DefaultSweepConfig()}, p.now)
	stop := make(chan struct{})
	var talking sync.WaitGroup
	for i, every := range []time.Duration{10 * time.Millisecond, 25 * time.Millisecond} {
		talking.Go(func() {
			tick := time.NewTicker(every)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
				case <-stop:
					return
				}
				deg := crankDeg(time.Since(p.started).Seconds())
				p.talkers[i].say([]func(int) string{encoderLine(deg), heightLine(deg)}[i])
			}
		})
	}
	t.Cleanup(func() { close(stop); talking.Wait() })
	return p
}

func (p *plugBench) now() int64 { return time.Since(p.started).Nanoseconds() }

func (p *plugBench) instrument(i int, s Snapshot) InstrumentState {
	if i == 0 {
		return s.Encoder
	}
	return s.Indicators[0]
}

// cycle pulls a plug at a random moment, puts it back after a random time, and
// waits until the instrument is live again.
func (p *plugBench) cycle(rng *rand.Rand) {
	p.t.Helper()
	<-time.After(time.Duration(rng.IntN(700)) * time.Millisecond)
	i := rng.IntN(2)
	before := p.instrument(i, p.Snapshot()).Stream
	p.talkers[i].pull(rng.IntN(2) == 0)
	p.pulls[i]++
	<-time.After(time.Duration(10+rng.IntN(600)) * time.Millisecond)
	p.talkers[i].put([]string{"", "\x00\xff\x80~boot 1.2\r\nready\r\n", "7"}[rng.IntN(3)])
	back := time.Now()
	p.until("the instrument is live again", func(s Snapshot) bool {
		one := p.instrument(i, s)
		return one.Live && one.Stream != before
	})
	p.reopened = append(p.reopened, time.Since(back))
}

// plugCycles is how often TestUnplugInMidSweep pulls; more by the environment.
func plugCycles() int {
	if n, err := strconv.Atoi(os.Getenv("CROWNMARK_UNPLUGS")); err == nil {
		return n
	}
	return 8
}

// Plugs pulled and put back at random moments with sweeps running: no reading
// in the store differs from what was said, none is missing but in a gap that
// is recorded, and every instrument is heard again by itself.
func TestUnplugInMidSweep(t *testing.T) {
	p := newPlugBench(t)
	p.until("both are live", func(s Snapshot) bool { return s.Encoder.Live && s.Indicators[0].Live })
	if err := p.Select(context.Background(), Selection{Job: 1, Cylinders: map[string]int{"left": 1}}); err != nil {
		t.Fatal(err)
	}
	p.until("a sweep runs", func(s Snapshot) bool { return len(s.Running) > 0 })
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	for range plugCycles() {
		p.cycle(rng)
	}
	p.stop()
	p.checkStored()
	slices.Sort(p.reopened)
	n := len(p.reopened)
	t.Logf("%d unplugs; live again after %v (p50), %v (p99), %v (most)", n, p.reopened[n/2], p.reopened[min(n-1, n*99/100)], p.reopened[n-1])
}

// checkStored holds what was stored against what was said.
func (p *plugBench) checkStored() {
	p.t.Helper()
	all := p.rec.all()
	if f := p.rec.faults(); len(f) > 0 {
		p.t.Errorf("a store would refuse: %q", f)
	}
	of := map[int64]int{}      // stream → talker
	last := map[int64]saidAt{} // by stream
	for _, s := range all.Streams {
		if of[s.ID] = 0; s.Kind == KindIndicator {
			of[s.ID] = 1
		}
	}
	altered, holes := 0, 0
	for _, r := range all.Readings {
		was, ok := p.talkers[of[r.Stream]].find(string(r.Raw), r.AtNS)
		if !ok || !sameNumber(r) {
			if altered++; altered < 5 {
				p.t.Errorf("stream %d, reading %d: %q (%d) was never said", r.Stream, r.Seq, r.Raw, r.Ticks)
			}
			continue
		}
		if before, ok := last[r.Stream]; ok && was.n != before.n+1 {
			if holes++; holes < 5 {
				p.t.Errorf("stream %d: line %d follows on %d", r.Stream, was.n, before.n)
			}
		}
		last[r.Stream] = was
	}
	lost := 0
	for _, g := range all.Gaps {
		if g.Reason == CausePortLost {
			lost++
		}
	}
	if want := p.pulls[0] + p.pulls[1]; lost != want {
		p.t.Errorf("%d plugs were pulled, %d gaps are recorded", want, lost)
	}
	cut := 0
	for _, e := range all.Ends {
		if e.Cause == CausePortLost {
			cut++
		}
	}
	if cut == 0 {
		p.t.Error("no sweep is marked as cut by a lost port")
	}
	p.t.Logf("%d readings in %d streams, %d altered, %d holes, %d gaps; %d sweeps, %d of them cut", len(all.Readings), len(all.Streams), altered, holes, lost, len(all.Begins), cut)
}

// find finds when a line was said that arrived at a moment.
func (k *talker) find(line string, atNS int64) (saidAt, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, s := range slices.Backward(k.said[line]) {
		if s.atNS <= atNS && atNS-s.atNS < 5e9 {
			return s, true
		}
	}
	return saidAt{}, false
}

// sameNumber reads the raw line again, another way.
func sameNumber(r Reading) bool {
	var v float64
	_, err := fmt.Sscanf(string(r.Raw), "%g", &v)
	return err == nil && math.Round(v*math.Pow10(int(r.Decimals))) == float64(r.Ticks)
}

// Waiting for instruments that are not there costs next to nothing.
func TestWaitingIsIdle(t *testing.T) {
	enc, ind := encoderConfig("/dev/serial/by-id/nothing"), indicatorConfig("left", "/dev/serial/by-id/nothing-either")
	p := &plugBench{started: time.Now()}
	p.realBench = startBench(t, &memory{}, Config{Encoder: enc, Indicators: []InstrumentConfig{ind}, Sweep: DefaultSweepConfig()}, p.now)
	p.until("the absence is told", p.hasNotice("port_absent"))
	before, began := cpuSeconds(t), time.Now()
	<-time.After(3 * time.Second)
	used := (cpuSeconds(t) - before) / time.Since(began).Seconds()
	t.Logf("waiting took %.2f %% of a core", 100*used)
	if used > 0.1 { // a busy loop takes it all; the goal is 0.01
		t.Errorf("waiting took %.0f %% of a core", 100*used)
	}
}

func cpuSeconds(t *testing.T) float64 {
	t.Helper()
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		t.Fatal(err)
	}
	return float64(r.Utime.Sec+r.Stime.Sec) + float64(r.Utime.Usec+r.Stime.Usec)/1e6
}
