package acquire

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func encoderConfig(port string) InstrumentConfig {
	return InstrumentConfig{Kind: KindEncoder, Name: "encoder", Port: port, Baud: 115200, Frame: "8N1", Format: "line",
		Pattern: `^(?P<count>[-+]?\d+)$`, CountsPerRev: 7200, Direction: 1}
}

func indicatorConfig(name, port string) InstrumentConfig {
	return InstrumentConfig{Kind: KindIndicator, Name: name, Port: port, Baud: 9600, Frame: "8N1", Format: "line",
		Pattern: `^\s*(?P<value>[-+]?\s*\d+[.,]?\d*)\s*(?P<unit>mm|in)?\s*$`, Unit: "mm", Direction: 1, ResolutionMM: 0.001, LatencyUMS: 50}
}

func modbusConfig(name, port string) InstrumentConfig {
	return InstrumentConfig{Kind: KindIndicator, Name: name, Port: port, Baud: 19200, Frame: "8E1", Format: "modbus-rtu", Unit: "mm", Direction: 1,
		UnitID: 1, Function: 3, Register: 0, Type: "int32", WordOrder: "high-first", Scale: 0.001, IntervalMS: 20, LatencyUMS: 50}
}

func TestBenchRecordsSweeps(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.wantNotice("no_job", "No job is selected: nothing is recorded.")
		s.turn(180, 30)
		if all := s.rec.all(); !all.Empty() {
			t.Fatalf("with no job selected these were kept: %+v", all)
		}
		s.turn(-180, 30)
		s.sel(1, 3)
		s.wantNotice("no_job", "")
		s.turn(180, 30)
		s.wait(1)
		s.turn(-180, 30)
		s.want("3 + window", "3 - window")
		snap := s.b.Snapshot()
		s.rec.mu.Lock()
		defer s.rec.mu.Unlock()
		if !snap.Recording || snap.LastMove != -1 || math.Abs(snap.LastMoveDeg-180) > 2 || snap.StoredLedger != s.rec.ledger {
			t.Errorf("snapshot %+v", snap)
		}
	})
}

// A sweep keeps what the display shows on the plunger's stop once the crank was
// turned far enough over it, and nothing after a new zero.
func TestSweepKeepsTheRestingStop(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.turn(180, 30)
		s.wait(1)
		s.turn(-75, 30)
		if _, err := s.b.Zero(context.Background(), "left", "deck"); err != nil {
			t.Fatal(err)
		}
		s.turn(-30, 30)
		s.wait(1)
		var rests []*float64
		for _, b := range s.rec.all().Begins {
			var note detectorNote
			if err := json.Unmarshal([]byte(b.DetectorJSON), &note); err != nil || note.ReversalDeg != 1 {
				t.Fatalf("%s: %v", b.DetectorJSON, err)
			}
			rests = append(rests, note.RestMM)
		}
		if len(rests) != 3 || rests[0] == nil || *rests[0] != -s.travelMM || rests[1] == nil || rests[2] != nil {
			t.Fatalf("rests %v, want twice %g mm and then none", rests, -s.travelMM)
		}
	})
}

// Begin and end travel with the readings around them, and news of them comes
// only after they are stored.
func TestSweepNewsComesAfterTheCommit(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.rec.mu.Lock()
		s.rec.block = make(chan struct{})
		s.rec.mu.Unlock()
		s.turn(180, 30)
		news := func() (states []string) {
			s.mu.Lock()
			defer s.mu.Unlock()
			for _, e := range s.events {
				if e.Sweep != nil && (len(states) == 0 || states[len(states)-1] != e.Sweep.State+e.Sweep.Cause) {
					states = append(states, e.Sweep.State+e.Sweep.Cause)
				}
			}
			return states
		}
		if got := news(); len(got) != 0 {
			t.Fatalf("told %v before anything was stored", got)
		}
		close(s.rec.block)
		s.wait(0.2)
		if got, want := news(), []string{"running", "completewindow"}; !slices.Equal(got, want) {
			t.Fatalf("told %v, want %v", got, want)
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		last := s.events[len(s.events)-1]
		for _, e := range s.events {
			if e.Sweep != nil {
				last = e
			}
		}
		b, e := s.rec.all().Begins[0], s.rec.all().Ends[0]
		if last.Sweep.Stored != e.IndTo-b.IndFrom+1 {
			t.Errorf("told %d readings stored, the sweep has %d", last.Sweep.Stored, e.IndTo-b.IndFrom+1)
		}
	})
}

// What was read in the 2 s before something moved is kept with it; what was
// not kept is told in a gap.
func TestPreRoll(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.wait(60)
		before := s.now()
		s.turn(20, 10)
		s.wait(0.2)
		all := s.rec.all()
		first := map[int64]int64{}
		for _, r := range all.Readings {
			if first[r.Stream] == 0 {
				first[r.Stream] = r.AtNS
			}
		}
		if len(first) != 2 {
			t.Fatalf("streams kept: %v", first)
		}
		for stream, at := range first {
			if early := float64(before-at) / 1e9; early < 1.8 || early > 2.05 {
				t.Errorf("stream %d begins %.2f s before the motion, want 2", stream, early)
			}
		}
		if len(all.Gaps) != 2 || all.Gaps[0].Reason != string(UnusedUnwatched) || all.Gaps[0].AfterSeq != 0 {
			t.Errorf("gaps %+v", all.Gaps)
		}
		n := len(all.Readings)
		s.wait(100)
		if more := len(s.rec.all().Readings) - n; more < 30*60 || more > 30*75 {
			t.Errorf("%d readings kept while the crank stood for 100 s, want those of the idle time of 30 s", more)
		}
		if f := s.rec.faults(); len(f) > 0 {
			t.Error(f)
		}
	})
}

func TestSelectionSurvivesARestart(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.resume = Resume{LastStream: 7, LastSweep: 4, LastDatum: 20, LastMount: 2, LastSetup: 5, LastZeroing: 6,
			LastCount: map[string]int64{"encoder": -1790}, Selection: &Selection{Job: 1, Cylinders: map[string]int{"left": 3}, AtNS: 1}}
		s.run()
		s.wantNotice("mount_continues", "The encoder is back where it was, within 2°: its mount goes on.")
		s.turn(180, 30)
		s.want("3 + window")
		all := s.rec.all()
		if all.Streams[0].ID <= 7 || all.Begins[0].ID != 5 {
			t.Errorf("ids go on from before: stream %d, sweep %d", all.Streams[0].ID, all.Begins[0].ID)
		}
		got := map[DatumKind]int{}
		for _, d := range all.Data {
			got[d.Kind] = d.Number
		}
		if want := (map[DatumKind]int{DatumMount: 2, DatumSetup: 6, DatumZeroing: 7}); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("data %v, want %v", got, want)
		}
	})
}

func TestCounterElsewhereAfterARestart(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.resume = Resume{LastMount: 2, LastCount: map[string]int64{"encoder": 500}}
		s.run()
		s.wantNotice("mount_new", "A new encoder mount begins: the encoder came back more than 2° from where it was.")
		if got := s.b.Snapshot().Encoder.Mount; got != 3 {
			t.Errorf("mount %d, want 3", got)
		}
	})
}

func TestLostPortComesBack(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.turn(100, 20)
		s.lines["/dev/enc"].unplug()
		s.wait(0.5)
		s.want("3 + port_lost")
		s.wantNotice("port_lost", "Port /dev/enc of the encoder went away.")
		if st := s.b.Snapshot().Encoder; st.Live || st.Status != "lost" {
			t.Errorf("encoder %+v", st)
		}
		s.wait(20) // long enough for the longest backoff
		if st := s.b.Snapshot().Encoder; st.Status != "lost" {
			t.Errorf("status %s: that it is absent meanwhile is no news", st.Status)
		}
		s.lines["/dev/enc"].plug()
		s.wait(1)
		st := s.b.Snapshot().Encoder
		if !st.Live || st.Status != "live" {
			t.Errorf("not heard a second after its return: %+v", st)
		}
		s.wantNotice("port_lost", "")
		s.wantNotice("mount_continues", "The encoder is back where it was, within 2°: its mount goes on.")
		s.turn(80, 20)
		s.want("3 + port_lost", "3 + window")
		all := s.rec.all()
		if b := all.Begins; b[0].EncStream == b[1].EncStream {
			t.Error("one opening, one stream: the sweeps share one")
		}
		if stats := s.b.Stats(); stats.Instruments[0].Reopens != 1 || stats.Sweeps[CausePortLost] != 1 {
			t.Errorf("stats %+v", stats)
		}
	})
}

// An indicator that comes back keeps its placement. Its zero is believed only
// if it shows what it showed and nothing was turned.
func TestIndicatorComesBack(t *testing.T) {
	for name, c := range map[string]struct {
		turned float64
		shows  float64 // more than before
		zero   int
	}{"as it was": {0, 0, 2}, "with another reading": {0, 1, 3}, "after turning": {5, 0, 3}} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(s *stand) {
				s.deg = -20
				s.run()
				s.sel(1, 3)
				s.turn(2, 10)
				s.lines["/dev/left"].unplug()
				s.mute = true
				s.wait(1)
				shown := pistonMM(s.deg) + c.shows
				if c.turned != 0 {
					s.turn(c.turned, 10)
				}
				s.lines["/dev/left"].plug()
				s.wait(1)
				s.line("/dev/left").say(fmt.Sprintf("%.3f\r\n", shown))
				s.wait(0.2)
				snap := s.b.Snapshot().Indicators[0]
				if snap.Setup != 2 || snap.Zeroing != c.zero {
					t.Errorf("setup %d and zero %d, want 2 and %d", snap.Setup, snap.Zeroing, c.zero)
				}
				want := ""
				if c.zero == 3 {
					want = "Indicator left was away, and its reading or the crank has moved meanwhile: it may have lost its zero, so a new zero begins."
				}
				s.wantNotice("zero_uncertain", want)
				got := map[DatumKind]int{}
				for _, d := range s.rec.all().Data {
					if d.Stream == snap.Stream {
						got[d.Kind] = d.Number
					}
				}
				if got[DatumSetup] != 2 || got[DatumZeroing] != c.zero {
					t.Errorf("kept with the new stream: %v", got)
				}
			})
		})
	}
}

// A sweep lies in one mount, however early its encoder readings are wanted.
func TestSweepLiesInOneMount(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.deg = -30
		s.run()
		s.sel(1, 3)
		s.turn(20, 10)
		s.sel(2, 3) // a new mount, in the middle of a motion
		s.turn(20, 10)
		s.wait(0.2)
		all := s.rec.all()
		last := all.Begins[len(all.Begins)-1]
		for _, d := range all.Data {
			if d.Kind == DatumMount && d.Cause == "job" && last.EncFrom < d.FromSeq {
				t.Errorf("the mount begins at %d, the sweep in it at %d", d.FromSeq, last.EncFrom)
			}
		}
		if last.Job != 2 {
			t.Errorf("the last sweep is of job %d", last.Job)
		}
	})
}

func TestLostCounts(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.turn(100, 20)
		mount := s.b.Snapshot().Encoder.Mount
		s.zeroAt = 20000
		s.turn(70, 20)
		s.want("3 + lost_counts", "3 + window")
		s.wantNotice("lost_counts", "The encoder lost counts: its angle jumped further than a hand can turn. A new mount begins and running sweeps have ended.")
		if got := s.b.Snapshot().Encoder.Mount; got != mount+1 {
			t.Errorf("mount %d after %d", got, mount)
		}
		if n := s.b.Stats().Instruments[0].Unused[UnusedRange]; n != doubtsToLose-1 {
			t.Errorf("%d readings doubted", n)
		}
	})
}

func TestMarkDirectionZero(t *testing.T) {
	inBubble(t, func(s *stand) {
		ctx := context.Background()
		s.run()
		s.sel(1, 3)
		if _, err := s.b.Direction(ctx, 1); !errors.Is(err, ErrNoMotion) || err.Error() != "too little motion: the crank last turned 0.0° one way: turn it at least 3° in running direction, then confirm" {
			t.Errorf("direction without motion: %v", err)
		}
		s.turn(-5, 10)
		s.wait(40) // longer than the idle time
		d, err := s.b.Direction(ctx, 1)
		if err != nil || d.Sign != -1 || math.Abs(d.MovedDeg-5) > 0.1 {
			t.Errorf("direction %+v, %v", d, err)
		}
		s.wait(40)
		m, err := s.b.Mark(ctx, 1, -10)
		if err != nil || m.MarkDeg != -10 || m.Approach != -1 {
			t.Errorf("mark %+v, %v", m, err)
		}
		z, err := s.b.Zero(ctx, "left", "deck")
		if err != nil || z.Cause != "zero:deck" || z.Kind != DatumZeroing {
			t.Errorf("zero %+v, %v", z, err)
		}
		s.wantNotice("zero_not_shown", "Indicator left was said to be zeroed, but shows -12.000 mm.")
		all := s.rec.all()
		if len(all.Marks) != 1 || len(all.Directions) != 1 || !slices.Contains(all.Data, z) {
			t.Fatalf("kept: %+v %+v %+v", all.Marks, all.Directions, all.Data)
		}
		for _, want := range []int64{d.EncSeq, m.EncSeq} {
			if !slices.ContainsFunc(all.Readings, func(r Reading) bool { return r.Stream == m.EncStream && r.Seq == want }) {
				t.Errorf("the encoder reading %d, which a mark or direction names, is not kept", want)
			}
		}
		if f := s.rec.faults(); len(f) > 0 {
			t.Error(f)
		}
	})
}

// A mark and a direction may come before any selection; the readings they name
// are kept all the same. Turning on the same way after a rest adds up.
func TestMarkBeforeASelection(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.turn(2, 10)
		s.wait(40)
		s.turn(2, 10)
		d, err := s.b.Direction(context.Background(), 1)
		if err != nil || d.Sign != 1 || math.Abs(d.MovedDeg-4) > 0.1 {
			t.Errorf("direction %+v, %v", d, err)
		}
		s.wait(10)
		m, err := s.b.Mark(context.Background(), 1, 0)
		if err != nil {
			t.Fatal(err)
		}
		s.wait(10)
		s.sel(1, 3)
		s.turn(180, 30)
		s.want("3 + window")
		for _, want := range []int64{d.EncSeq, m.EncSeq} {
			if !slices.ContainsFunc(s.rec.all().Readings, func(r Reading) bool { return r.Stream == m.EncStream && r.Seq == want }) {
				t.Errorf("the encoder reading %d, which a mark or direction names, is not kept", want)
			}
		}
	})
}

func TestRequestsRefused(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.cfg.Indicators = append(s.cfg.Indicators, indicatorConfig("right", "/dev/right"))
		s.line("/dev/right").unplug()
		s.run()
		ctx := context.Background()
		for _, c := range []struct {
			err  error
			is   error
			text string
		}{
			{s.b.Select(ctx, Selection{Job: 1, Cylinders: map[string]int{"top": 1}}), ErrUnknownIndicator, `unknown indicator "top": this bench has left, right`},
			{s.b.Select(ctx, Selection{Cylinders: map[string]int{"left": 1}}), ErrNoSelection, "cylinders without a job: no job selected: name the job they belong to"},
			{second(s.b.Zero(ctx, "right", "deck")), ErrNotLive, "indicator right is not live (absent): get it going, zero it, then say so"},
			{second(s.b.Mark(ctx, 0, 0)), ErrNoSelection, "job 0: no job selected: name a job"},
			{second(s.b.Mark(ctx, 1, math.NaN())), nil, "a mark at NaN° cannot be: give its degrees as written on the damper, negative before the top"},
		} {
			if c.is != nil && !errors.Is(c.err, c.is) || c.err == nil || c.err.Error() != c.text {
				t.Errorf("got  %v\nwant %s", c.err, c.text)
			}
		}
		s.sel(1, 1)
		if _, err := s.b.Mark(ctx, 2, 0); !errors.Is(err, ErrWrongJob) {
			t.Errorf("mark of another job: %v", err)
		}
		s.stop()
		if err := s.b.Select(ctx, Selection{}); !errors.Is(err, ErrStopped) {
			t.Errorf("after the end: %v", err)
		}
	})
}

func second[T any](_ T, err error) error { return err }

// Moving an indicator begins a new setup and zero; another engine a new mount.
func TestDataFollowTheSelection(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		at := func() string {
			synctest.Wait()
			snap := s.b.Snapshot()
			return fmt.Sprint(snap.Encoder.Mount, snap.Indicators[0].Setup, snap.Indicators[0].Zeroing)
		}
		for i, c := range []struct {
			job      int64
			cylinder int
			want     string
		}{{1, 3, "1 2 2"}, {1, 3, "1 2 2"}, {1, 4, "1 3 3"}, {2, 4, "2 4 4"}, {1, 4, "3 5 5"}} {
			s.sel(c.job, c.cylinder)
			if got := at(); got != c.want {
				t.Errorf("step %d: mount, setup, zero are %s, want %s", i, got, c.want)
			}
		}
		s.wantNotice("mount_new", "A new encoder mount begins: job 1 is another engine than the one before.")
	})
}

// Half a line is never joined to what comes after a pause.
func TestHalfALine(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		before := s.b.Stats().Instruments[1].Unused[UnusedPartial]
		s.line("/dev/left").say("1")
		time.Sleep(time.Second)
		s.line("/dev/left").say("2.345\r\n")
		time.Sleep(50 * time.Millisecond)
		if got := *s.b.Snapshot().Indicators[0].Value; got != 2.345 {
			t.Errorf("shows %v", got)
		}
		if n := s.b.Stats().Instruments[1].Unused[UnusedPartial] - before; n != 1 {
			t.Errorf("%d halves counted", n)
		}
	})
}

func TestSlowStoreStallsNobody(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.turn(5, 10)
		s.rec.mu.Lock()
		s.rec.block = make(chan struct{})
		s.rec.mu.Unlock()
		heard := s.b.Stats().Instruments[0].Readings
		burst := strings.Repeat("100\r\n101\r\n", 400)
		for range 100 { // 80,000 readings, more than may wait
			s.line("/dev/enc").say(burst)
			time.Sleep(100 * time.Millisecond)
		}
		synctest.Wait()
		stats := s.b.Stats()
		if got := stats.Instruments[0].Readings - heard; got < 79_990 {
			t.Fatalf("only %d readings heard while the store stood", got)
		}
		if stats.QueueLen > maxHeld || stats.Instruments[0].Unused[UnusedOverrun] == 0 {
			t.Errorf("%d wait, %d given up", stats.QueueLen, stats.Instruments[0].Unused[UnusedOverrun])
		}
		s.wantNotice("overrun", "The store cannot keep up: readings are given up and counted.")
		close(s.rec.block)
		s.turn(5, 10)
		s.wait(1)
		s.wantNotice("overrun", "")
		var told int64
		for _, g := range s.rec.all().Gaps {
			if g.Reason == string(UnusedOverrun) {
				told += g.N
			}
		}
		if n := s.b.Stats().Instruments[0].Unused[UnusedOverrun] + s.b.Stats().Instruments[1].Unused[UnusedOverrun]; told != n {
			t.Errorf("%d given up, %d told in gaps", n, told)
		}
	})
}

func TestFailingStoreIsTriedAgain(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.rec.mu.Lock()
		s.rec.fail = func(Batch) error { return errors.New("no room on the disk") }
		s.rec.mu.Unlock()
		s.turn(180, 30)
		s.wantNotice("storage", "Readings cannot be stored: no room on the disk.")
		s.rec.mu.Lock()
		s.rec.fail = nil
		s.rec.mu.Unlock()
		s.wait(6)
		s.wantNotice("storage", "")
		s.want("3 + window")
	})
}

func TestFailingStoreAtTheEnd(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		s.sel(1, 3)
		s.turn(20, 10)
		s.rec.mu.Lock()
		s.rec.fail = func(Batch) error { return errors.New("no room on the disk") }
		s.rec.mu.Unlock()
		s.turn(20, 10)
		began := time.Now()
		if err := s.stop(); err == nil || !strings.HasSuffix(err.Error(), "readings and what belongs to them could not be stored: no room on the disk") {
			t.Errorf("the end says %v", err)
		}
		if took := time.Since(began); took > 2*lastWait {
			t.Errorf("the end took %v", took)
		}
	})
}

// A closed job's selection is refused; readings in the same batch are kept and
// the selection before stays in force.
func TestRefusedSelection(t *testing.T) {
	inBubble(t, func(s *stand) {
		closed := errors.New("the job is closed")
		s.rec.fail = func(b Batch) error {
			if slices.ContainsFunc(b.Selections, func(x Selection) bool { return x.Job == 9 }) {
				return closed
			}
			return nil
		}
		s.run()
		s.sel(1, 3)
		s.turn(90, 30)
		if err := s.b.Select(context.Background(), Selection{Job: 9, Cylinders: map[string]int{"left": 1}}); !errors.Is(err, closed) {
			t.Fatalf("selection of a closed job: %v", err)
		}
		s.wait(0.2)
		if got := s.b.Snapshot().Selection; got.Job != 1 || got.Cylinders["left"] != 3 {
			t.Errorf("in force: %+v", got)
		}
		s.turn(90, 30)
		s.want("3 + selection", "3 + window")
	})
}

// snapshots are when snapshot events were told since from.
func (s *stand) snapshots(from int64) (at []int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.events {
		if e.Snapshot != nil && e.Snapshot.NowNS > from {
			at = append(at, e.Snapshot.NowNS)
		}
	}
	return at
}

// Between readings each 10 ms, and while nothing is said.
func TestSnapshotEventsComeInTheirTime(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		from := s.now()
		s.wait(10)
		at := s.snapshots(from)
		for i := range at[1:] {
			if gap := at[i+1] - at[i]; gap != tellGapNS {
				t.Fatalf("event %d came %d ns after the one before, want %d", i+1, gap, tellGapNS)
			}
		}
		if len(at) < 302 {
			t.Errorf("%d snapshots in 10 s", len(at))
		}
		from = s.now() + tellGapNS
		time.Sleep(2 * time.Second)
		if at = s.snapshots(from); len(at) != 7 || at[6]-at[5] != toldAtLeastNS {
			t.Errorf("told at %v while nothing was said, want each %d", at, toldAtLeastNS)
		}
	})
}

// What comes after a rest is told at once, what comes soon after that as soon
// as 33 ms are over, with the newest value.
func TestReadingsAreToldAtOnce(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.run()
		time.Sleep(100 * time.Millisecond)
		from := s.now()
		say := func(mm string) { s.lines["/dev/left"].say(mm + "\n"); synctest.Wait() }
		say("1.001")
		if at := s.snapshots(from - 1); len(at) != 1 || at[0] != from {
			t.Fatalf("told at %v, want at once at %d", at, from)
		}
		time.Sleep(3 * time.Millisecond)
		say("1.002")
		time.Sleep(28 * time.Millisecond)
		say("1.003")
		time.Sleep(time.Millisecond)
		say("1.004") // while news is gathered
		if at := s.snapshots(from); len(at) != 0 {
			t.Errorf("told at %v, less than 33 ms after %d", at, from)
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		if at := s.snapshots(from); len(at) != 1 || at[0] != from+tellGapNS {
			t.Errorf("told at %v, want at %d", at, from+tellGapNS)
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		if last := s.events[len(s.events)-1].Snapshot; last == nil || *last.Indicators[0].Value != 1.004 {
			t.Errorf("told %+v", s.events[len(s.events)-1])
		}
	})
}

// One port carries both: each line goes to whom it fits.
func TestSharedPort(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.cfg.Indicators[0].Port, s.cfg.Indicators[0].Baud = "/dev/enc", 115200
		s.cfg.Indicators[0].Pattern = `^H(?P<value>[-+.\d]+)$`
		s.run()
		s.line("/dev/enc").say("H1.5\r\n-1780\r\nH1.6\r\nhello\r\n")
		time.Sleep(50 * time.Millisecond)
		snap := s.b.Snapshot()
		if *snap.Encoder.Value != -89 || *snap.Indicators[0].Value != 1.6 {
			t.Errorf("encoder %v, indicator %v", *snap.Encoder.Value, *snap.Indicators[0].Value)
		}
		for _, i := range s.b.Stats().Instruments {
			if i.Unused[UnusedGarbage] != 1 {
				t.Errorf("%s: %d lines of garbage, want 1", i.Name, i.Unused[UnusedGarbage])
			}
		}
	})
}

func TestPolledInstrument(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.cfg.Indicators[0].Request, s.cfg.Indicators[0].IntervalMS = "R\r", 20
		s.mute = true
		line := s.line("/dev/left")
		line.answer = "1.234\r"
		s.run()
		s.wait(2)
		line.mu.Lock()
		n := len(line.asked)
		line.mu.Unlock()
		if got := s.b.Stats().Instruments[1].Readings; n < 120 || n > 141 || int(got) < n-1 {
			t.Errorf("asked %d times in 2.8 s, %d answers; want one each 20 ms", n, got)
		}
		line.mu.Lock()
		line.answer, line.asked = "", nil
		line.mu.Unlock()
		s.wait(5)
		line.mu.Lock()
		defer line.mu.Unlock()
		if n := len(line.asked); n < 9 || n > 11 || line.asked[0] != "R\r" {
			t.Errorf("asked %d times in 5 s without an answer, want twice a second", n)
		}
	})
}
