package acquire

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"crownmark/acquire/wire"
)

// ptyLine is a pseudo-terminal behind a stable path, as by-id links are.
type ptyLine struct {
	t      testing.TB
	path   string
	master *os.File
}

func newPtyLine(t testing.TB) *ptyLine {
	l := &ptyLine{t: t, path: filepath.Join(t.TempDir(), "port")}
	l.plug()
	t.Cleanup(func() { l.master.Close() })
	return l
}

// plug opens the master by hand, not blocking: only then does closing it hang
// the other side up while somebody reads here.
func (l *ptyLine) plug() {
	l.t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		l.t.Fatal(err)
	}
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		l.t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		l.t.Fatal(err)
	}
	l.master = os.NewFile(uintptr(fd), "ptmx")
	if err := os.Symlink(fmt.Sprintf("/dev/pts/%d", n), l.path); err != nil {
		l.t.Fatal(err)
	}
}

func (l *ptyLine) unplug() {
	os.Remove(l.path)
	l.master.Close()
}

func (l *ptyLine) say(text string) {
	l.master.SetWriteDeadline(time.Now().Add(5 * time.Second))
	if _, err := l.master.WriteString(text); err != nil {
		l.t.Errorf("the instrument cannot speak: %v", err)
	}
}

func (l *ptyLine) source(cfg []InstrumentConfig, now func() int64) Source {
	s, err := newSerialSource(cfg, now)
	if err != nil {
		l.t.Fatal(err)
	}
	return s
}

var eightN1 = wire.Serial{DataBits: 8, Parity: wire.ParityNone, StopBits: 1}

func TestPortTroubles(t *testing.T) {
	line := newPtyLine(t)
	held, err := openPort(defaultPortSys(), line.path, 9600, eightN1, readTimeout)
	if err != nil {
		t.Fatal(err)
	}
	defer held.close()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, path string
		trouble    PortTrouble
		text       string
	}{
		{"unknown", "/dev/serial/by-id/nothing", PortAbsent, `port /dev/serial/by-id/nothing is not there: plug the instrument in, or correct its name ("port" in the bench file); ` + seePorts},
		{"held by ourselves", line.path, PortBusy, "port " + line.path + ` is in use by this program already: two instruments name one device: give both the same "port", or correct one`},
		{"no terminal", "/dev/null", PortNotSerial, `port /dev/null is not a serial port: correct its name ("port" in the bench file); ` + seePorts},
		{"a file", file, PortNotSerial, "port " + file + ` is not a serial port: correct its name ("port" in the bench file); ` + seePorts},
		{"a folder", t.TempDir(), PortNotSerial, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := openPort(defaultPortSys(), c.path, 9600, eightN1, readTimeout)
			var e *PortError
			if !errors.As(err, &e) || e.Trouble != c.trouble || c.text != "" && err.Error() != c.text {
				t.Errorf("got  %v\nwant %s", err, c.text)
			}
		})
	}
}

func TestBusyNamesTheHolder(t *testing.T) {
	proc, node := t.TempDir(), filepath.Join(t.TempDir(), "ttyX")
	if err := errors.Join(os.WriteFile(node, nil, 0o600), os.MkdirAll(proc+"/4242/fd", 0o700),
		os.WriteFile(proc+"/4242/comm", []byte("terminal\n"), 0o600), os.Symlink(node, proc+"/4242/fd/7")); err != nil {
		t.Fatal(err)
	}
	want := "port " + node + " is in use by terminal (process 4242): end that program; the port is then opened by itself"
	if err := openError(node, proc, unix.EBUSY); err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	want = "port " + node + " is in use: end the program that holds it; it is then opened by itself"
	if err := openError(node, t.TempDir(), unix.EWOULDBLOCK); err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}

// A program of another user hides its descriptors, not its lock.
func TestBusyNamesTheLocker(t *testing.T) {
	node := filepath.Join(t.TempDir(), "ttyX")
	f, err := os.Create(node)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if pid, name := holder(node, t.TempDir()); pid != 0 {
		t.Errorf("nobody has locked it, and yet %s (%d)", name, pid)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	proc := t.TempDir()
	locks, err := os.ReadFile("/proc/locks") // the kernel's own words
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(proc, "locks"), locks, 0o600); err != nil {
		t.Fatal(err)
	}
	if pid, name := holder(node, proc); pid != os.Getpid() || name != "another program" {
		t.Errorf("locked by %s (%d), want %d", name, pid, os.Getpid())
	}
}

func TestPermissionNamesTheGroup(t *testing.T) {
	node := filepath.Join(t.TempDir(), "ttyX")
	if err := errors.Join(os.WriteFile(node, nil, 0o600), os.Chmod(node, 0o660)); err != nil {
		t.Fatal(err)
	}
	gid := os.Getgid() // an ordinary user's file is his own group's
	if os.Geteuid() == 0 {
		gid = 20 // dialout on Debian
		if err := os.Chown(node, 0, gid); err != nil {
			t.Fatal(err)
		}
	}
	group, err := user.LookupGroupId(strconv.Itoa(gid))
	if err != nil {
		t.Fatal(err)
	}
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	sys := defaultPortSys()
	sys.open = func(string) (int, error) { return -1, unix.EACCES }
	want := fmt.Sprintf("port %s may not be opened by user %s: it belongs to the group %s: run `sudo usermod -aG %[3]s %[2]s`, then log out and in again", node, me.Username, group.Name)
	if _, err := openPort(sys, node, 9600, eightN1, readTimeout); err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	generic := "port " + node + " may not be opened by this user: have whoever keeps this machine give it to the group dialout with a udev rule, and this user to that group"
	unhelpful := map[string]func() error{"no group may open it": func() error { return os.Chmod(node, 0o600) }}
	if os.Geteuid() == 0 {
		unhelpful["it is root's own"] = func() error { return errors.Join(os.Chmod(node, 0o660), os.Chown(node, 0, 0)) }
	}
	for why, change := range unhelpful {
		if err := change(); err != nil {
			t.Fatal(err)
		}
		if _, err := openPort(sys, node, 9600, eightN1, readTimeout); err == nil || err.Error() != generic {
			t.Errorf("%s: got  %v\nwant %s", why, err, generic)
		}
	}
}

// panicky is a device on which the library panics, as it does beyond its 1024th
// descriptor.
type panicky struct{ serial.Port }

func (panicky) Read([]byte) (int, error) { panic("index out of range") }

func TestPanicInsideReadIsAnError(t *testing.T) {
	line := newPtyLine(t)
	sys := defaultPortSys()
	sys.serial = func(path string, m *serial.Mode) (serial.Port, error) {
		p, err := serial.Open(path, m)
		return panicky{p}, err
	}
	p, err := openPort(sys, line.path, 9600, eightN1, readTimeout)
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	if _, err := p.read(make([]byte, 8)); err == nil || !strings.Contains(err.Error(), "failed while reading (index out of range)") {
		t.Errorf("got %v", err)
	}
}

// After close nothing goes out, whoever has the descriptor's number now; and
// close waits for a read under way.
func TestNothingAfterClose(t *testing.T) {
	line := newPtyLine(t)
	p, err := openPort(defaultPortSys(), line.path, 9600, eightN1, readTimeout)
	if err != nil {
		t.Fatal(err)
	}
	reading, done := make(chan struct{}), make(chan error)
	go func() {
		close(reading)
		for {
			if _, err := p.read(make([]byte, 8)); err != nil {
				done <- err
				return
			}
		}
	}()
	<-reading
	if err := errors.Join(p.close(), p.close()); err != nil {
		t.Fatal(err)
	}
	if err := <-done; !errors.Is(err, errPortClosed) {
		t.Errorf("the reader heard %v", err)
	}
	file, err := os.Create(filepath.Join(t.TempDir(), "other")) // may get the number
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if err := p.write([]byte("BOGUS")); !errors.Is(err, errPortClosed) {
		t.Errorf("write after close: %v", err)
	}
	if n, _ := file.Seek(0, 2); n != 0 {
		t.Error("bytes went into another file")
	}
	again, err := openPort(defaultPortSys(), line.path, 9600, eightN1, readTimeout)
	if err != nil {
		t.Errorf("a closed port is free: %v", err)
	} else {
		again.close()
	}
}

// An instrument that takes no bytes must not hold the reader up.
func TestWriteNeverWaits(t *testing.T) {
	line := newPtyLine(t)
	p, err := openPort(defaultPortSys(), line.path, 9600, eightN1, readTimeout)
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	began := time.Now()
	for range 200 {
		if err := p.write([]byte(strings.Repeat("R", 100))); err != nil {
			break // a short write says so, and is enough
		}
	}
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("200 requests that nobody takes took %v", took)
	}
}

func TestFrames(t *testing.T) {
	for text, want := range map[string]serial.Mode{
		"8N1": {BaudRate: 9600, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit},
		"7E2": {BaudRate: 9600, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.TwoStopBits},
		"7O1": {BaudRate: 9600, DataBits: 7, Parity: serial.OddParity, StopBits: serial.OneStopBit},
	} {
		shape, err := wire.ParseSerial(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := *serialMode(9600, shape); got != want {
			t.Errorf("%s: %+v, want %+v", text, got, want)
		}
	}
}

// realBench runs a bench on real ports; changed is told at each event.
type realBench struct {
	*Bench
	t        *testing.T
	enc, ind *ptyLine
	changed  chan struct{}
	stop     func()
}

func newRealBench(t *testing.T, rec Recorder) *realBench {
	enc, ind := newPtyLine(t), newPtyLine(t)
	cfg := Config{Encoder: encoderConfig(enc.path), Indicators: []InstrumentConfig{indicatorConfig("left", ind.path)}, Sweep: DefaultSweepConfig()}
	r := startBench(t, rec, cfg, nil)
	r.enc, r.ind = enc, ind
	return r
}

// startBench runs a bench until it is stopped or the test ends.
func startBench(t *testing.T, rec Recorder, cfg Config, now func() int64) *realBench {
	r := &realBench{t: t, changed: make(chan struct{}, 1)}
	b, err := NewBench(cfg, rec, Resume{}, Options{Now: now, OnEvent: func(Event) {
		select {
		case r.changed <- struct{}{}:
		default:
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	r.Bench = b
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	r.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(r.stop)
	return r
}

// until waits for the bench to be so, looking at each event and now and then.
func (r *realBench) until(what string, so func(Snapshot) bool) {
	r.t.Helper()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for deadline := time.After(10 * time.Second); !so(r.Snapshot()); {
		select {
		case <-r.changed:
		case <-look.C:
		case <-deadline:
			r.t.Fatalf("waited in vain until %s; the bench is %+v", what, r.Snapshot())
		}
	}
}

func (r *realBench) hasNotice(code string) func(Snapshot) bool {
	return func(s Snapshot) bool {
		for _, n := range s.Notices {
			if n.Code == code {
				return true
			}
		}
		return false
	}
}

func TestRealPortsComeAndGo(t *testing.T) {
	r := newRealBench(t, &memory{})
	open := func(s Snapshot) bool { return s.Encoder.Stream != 0 && s.Indicators[0].Stream != 0 }
	r.until("both ports are open", open)
	r.enc.say("99\r\n100\r\n")
	r.ind.say("0.1\r\n1,250 mm\r\n")
	r.until("both are heard", func(s Snapshot) bool { return s.Encoder.Live && s.Indicators[0].Live })
	if s := r.Snapshot(); *s.Encoder.Value != 5 || *s.Indicators[0].Value != 1.25 || s.Indicators[0].Raw != "1,250 mm" {
		t.Errorf("shows %v and %v (%q)", *s.Encoder.Value, *s.Indicators[0].Value, s.Indicators[0].Raw)
	}

	r.enc.unplug()
	r.until("the loss is noticed", r.hasNotice("port_lost"))
	began := time.Now()
	r.enc.plug()
	r.until("the port is open again", func(s Snapshot) bool { return s.Encoder.Stream != 0 })
	r.enc.say("1\r\n101\r\n")
	r.until("the encoder is heard again", func(s Snapshot) bool { return s.Encoder.Live })
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("took %v to be heard again", took)
	}
	r.until("the mount goes on", r.hasNotice("mount_continues"))
}

func TestRealGarbage(t *testing.T) {
	r := newRealBench(t, &memory{})
	r.until("the port is open", func(s Snapshot) bool { return s.Indicators[0].Stream != 0 })
	var all []byte
	for i := range 256 {
		all = append(all, byte(i))
	}
	r.ind.say(strings.Repeat(string(all), 10) + "\r\n" + strings.Repeat("nonsense\r", 10))
	r.until("the garbage is noticed", r.hasNotice("garbled"))
	r.ind.say("1.5\r\n2.5\r\n")
	r.until("a reading ends it", func(s Snapshot) bool { return s.Indicators[0].Status == "live" && *s.Indicators[0].Value == 2.5 })
	unused := r.Stats().Instruments[1].Unused
	if unused[UnusedGarbage] < 10 || unused[UnusedNoise] == 0 {
		t.Errorf("counted %v", unused)
	}
}

// tallyRecorder counts readings and forgets them.
type tallyRecorder struct {
	mu     sync.Mutex
	last   map[int64]int64
	n      atomic.Int64
	ledger int64
	holes  int
}

func (r *tallyRecorder) Record(_ context.Context, b Batch) (int64, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range b.Readings {
		x := &b.Readings[i]
		if last, ok := r.last[x.Stream]; ok && x.Seq != last+1 {
			r.holes++
		}
		r.last[x.Stream] = x.Seq
	}
	r.n.Add(int64(len(b.Readings)))
	r.ledger++
	return r.ledger, nil
}

// TestThroughput puts 5,000 readings a second through two pseudo-terminals and
// misses none. SOAK_S sets how long, for a run by hand.
func TestThroughput(t *testing.T) {
	seconds := 2.0
	if text := os.Getenv("SOAK_S"); text != "" {
		if _, err := fmt.Sscan(text, &seconds); err != nil {
			t.Fatal(err)
		}
	}
	rec := &tallyRecorder{last: map[int64]int64{}}
	r := newRealBench(t, rec)
	r.until("both ports are open", func(s Snapshot) bool { return s.Encoder.Stream != 0 && s.Indicators[0].Stream != 0 })
	r.enc.say("0\r\n0\r\n")
	r.ind.say("0\r\n0.000\r\n")
	r.until("both are heard", func(s Snapshot) bool { return s.Encoder.Live && s.Indicators[0].Live })
	if err := r.Select(context.Background(), Selection{Job: 1, Cylinders: map[string]int{"left": 1}}); err != nil {
		t.Fatal(err)
	}
	before := rec.n.Load()
	for _, l := range []*ptyLine{r.enc, r.ind} {
		l.master.SetWriteDeadline(time.Now().Add(time.Duration((seconds + 10) * 1e9)))
	}
	sent, mallocs := speakFast(r, seconds)
	r.until("all of it is stored", func(Snapshot) bool { return rec.n.Load()-before >= sent })
	rec.mu.Lock()
	defer rec.mu.Unlock()
	if rec.holes != 0 {
		t.Errorf("%d holes in what was stored", rec.holes)
	}
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	t.Logf("%d readings in %.0f s; %.1f allocations each, sending included; %.1f MiB from the system", sent, seconds, float64(m.Mallocs-mallocs)/float64(sent), float64(m.Sys)/(1<<20))
	if perReading := float64(m.Mallocs-mallocs) / float64(sent); perReading > 6 {
		t.Errorf("%.1f allocations a reading", perReading)
	}
	if m.HeapAlloc > 16<<20 { // of the whole test binary; what the bench holds is a few hundred kB
		t.Errorf("%d MiB are still in use", m.HeapAlloc>>20)
	}
}

// speakFast has the encoder say 4,000 and the indicator 1,000 lines a second,
// each millisecond its share.
func speakFast(r *realBench, seconds float64) (sent int64, mallocs uint64) {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	var text []byte
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	count, start := int64(0), time.Now()
	for {
		<-tick.C
		at := time.Since(start).Seconds()
		if at > seconds {
			return sent, m.Mallocs
		}
		text = text[:0]
		n := int64(0)
		for ; count < int64(at*4000); count++ {
			text = fmt.Appendf(text, "%d\r\n", count/40)
			n++
		}
		r.enc.master.Write(text)
		text = text[:0]
		for i := count - n; i < count; i++ {
			if i%4 == 0 {
				text = fmt.Appendf(text, "%+.3f mm\r\n", float64(i%1000)/1000)
				n++
			}
		}
		r.ind.master.Write(text)
		sent += n
	}
}
