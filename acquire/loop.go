package acquire

import (
	"maps"
	"time"

	"crownmark/acquire/wire"
)

// loop is the bench's own goroutine: all state that changes.
type loop struct {
	b    *Bench
	now  int64
	enc  *instrument
	inds []*instrument
	all  []*instrument // encoder first

	detector *detector
	tracker  tracker
	running  []*sweepRun // by indicator; nil: none
	lastMove move
	heldMove move // what lastMove adds to after a rest

	selection Selection
	stored    Selection // as last stored
	mountJob  int64     // the job that the mount belongs to, 0 unknown
	mountFree bool      // no job has used the mount yet
	newMount  string    // cause of a new mount with the encoder's next reading
	heldBack  *Reading  // the encoder's first after a return, until the next agrees
	index     indexWatch
	ids       Resume // last ids and numbers given out

	hand       *handRun // nil: nobody reads a sweep
	handBatch  []Reading
	handPlace  handPlace
	handMounts map[int64]int // by job: of the marks that are read
	stand      *standRun     // nil: nothing is calibrated

	recording bool
	movedNS   int64 // when something moved last
	still     still // the encoder, while it stands
	cur       *entry
	curRows   int
	flushedNS int64

	notices notices
	read    bool  // something was read since the last snapshot event
	toldNS  int64 // when that was
	tell    *time.Timer
	shownNS int64 // when the rhythms were looked at last
}

// move is the last motion: which way, how many degrees.
type move struct {
	dir int
	deg float64
}

// instrument is what the loop knows of one instrument.
type instrument struct {
	cfg    InstrumentConfig
	tally  *tally
	index  int // -1 the encoder, else the indicator's place
	lines  lines
	clock  *clockWatch
	opened *StreamOpened
	fresh  bool // no valid reading since it was opened

	announced bool    // opened is in a batch
	data      []Datum // not in a batch yet
	seq       int64   // of the last valid reading
	kept      int64   // of the last one in a batch
	keptFrom  int64   // first of the unbroken run that kept ends
	mountFrom int64
	ring      ring
	skipped   int64 // valid ones since kept that were let go
	batch     []Reading
	gaps      []Gap

	last       Reading
	value      float64
	has        bool // value is there
	usualNS    float64
	rhythm     rhythm
	shown      Rhythm // the rhythm as last looked at
	pauses     int    // silences that a reading ended
	lumpsMS    int    // the latency timer of its adapter
	identity   string // of the device, as last opened
	openedNS   int64
	bytesNS    int64 // when bytes came last
	bad        int   // unusable lines in a row
	badWhy     UnusedReason
	badText    string // badWhy and its cause
	badRaw     string
	trouble    *PortError // why it is not open, nil: it is, or is being opened
	everOpen   bool
	mount      int
	setup      int
	zeroing    int
	cylinder   int
	still      still  // heights, for what moves
	drift      extent // heights while the encoder stands
	resolution wire.Resolution
	atDeg      float64 // the encoder at the last reading
	recent     recent
}

func newLoop(b *Bench) *loop {
	l := &loop{b: b, ids: b.resume, detector: newDetector(b.cfg.Sweep, len(b.cfg.Indicators)),
		running: make([]*sweepRun, len(b.cfg.Indicators)), movedNS: -1 << 62, cur: &entry{}}
	for i, c := range b.all() {
		one := &instrument{cfg: c, tally: b.tallies[i], index: i - 1, clock: newClockWatch(c)}
		if l.all = append(l.all, one); i == 0 {
			l.enc = one
		} else {
			l.inds = append(l.inds, one)
		}
	}
	l.tracker.cfg = b.cfg.Encoder
	l.handMounts = maps.Clone(b.resume.HandMounts)
	if l.handMounts == nil {
		l.handMounts = map[int64]int{}
	}
	l.mountFree = b.resume.LastMount == 0
	l.now = b.o.Now()
	l.resume(b.resume)
	return l
}

// resume takes up what was selected before.
func (l *loop) resume(r Resume) {
	if r.Selection == nil {
		return
	}
	l.selection = *r.Selection
	l.stored, l.mountJob = l.selection, l.selection.Job
	for _, one := range l.inds {
		one.cylinder = l.selection.Cylinders[one.cfg.Name]
		l.detector.place(one.index, one.cylinder != 0)
	}
}

// Rhythm: batches each flushEveryNS or batchRows. A snapshot event is told at
// once if none was for tellGapNS, and otherwise as soon as that is over: what was
// read first waits for nothing, and what was read last is never held back.
// News is gathered: once some came, more is let come for gatherFor, so that a
// fast instrument does not wake the loop for each of its lines.
const (
	tickEvery     = 33 * time.Millisecond
	tellGapNS     = int64(33 * time.Millisecond)
	toldAtLeastNS = int64(250 * time.Millisecond) // a page that hears nothing for a second knows that nobody speaks
	gatherFor     = 5 * time.Millisecond
	flushEveryNS  = 100e6
	batchRows     = 512
)

// run works until every port has ended, then ends what runs.
func (l *loop) run() {
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	gathered := time.NewTimer(gatherFor)
	defer gathered.Stop()
	l.tell = time.NewTimer(0)
	defer l.tell.Stop()
	l.noticeSelection()
	news := l.b.news // nil while it gathers
	for open := true; open; {
		select {
		case n, ok := <-news:
			if open = ok; ok {
				l.now = l.b.o.Now()
				l.hear(n)
				news = nil
				gathered.Reset(gatherFor)
			}
		case <-gathered.C:
			var some bool
			if some, open = l.hearWaiting(); some {
				gathered.Reset(gatherFor)
			} else {
				news = l.b.news
			}
		case r := <-l.b.requests:
			_, open = l.hearWaiting() // it speaks of what was heard before it
			l.now = l.b.o.Now()
			l.serve(r)
		case c := <-l.b.queue.told:
			l.committed(c)
		case <-tick.C:
			l.now = l.b.o.Now()
			l.tick()
		case <-l.tell.C:
			_, open = l.hearWaiting() // the newest is what is told
		}
		l.flushDue()
		l.tellDue()
	}
	l.finish()
}

// hearWaiting hears all news that is waiting; open is false once the ports have ended.
func (l *loop) hearWaiting() (some, open bool) {
	for {
		select {
		case n, ok := <-l.b.news:
			if !ok {
				return some, false
			}
			some = true
			l.now = l.b.o.Now()
			l.hear(n)
			l.flushDue()
		default:
			return some, true
		}
	}
}

func (l *loop) flushDue() {
	if l.curRows >= batchRows || l.now-l.flushedNS >= flushEveryNS {
		l.flush()
	}
}

// finish ends every sweep and hands the last batch over.
func (l *loop) finish() {
	l.now = l.b.o.Now()
	l.sweeps(l.detector.end(-1, CauseShutdown))
	l.endHand(CauseShutdown)
	l.flush()
	l.publish()
	l.b.queue.close()
}

// drain takes the writer's last words.
func (l *loop) drain() {
	for c := range l.b.queue.told {
		l.committed(c)
	}
}

func (l *loop) tick() {
	before := l.detector.motion.dir
	l.sweeps(l.detector.tick(l.now))
	if before != 0 && l.detector.motion.dir == 0 {
		l.heldMove = l.lastMove
	}
	for _, one := range l.all {
		l.letGo(one)
	}
	l.stopRecording()
	l.lookAtRhythms()
	l.hints()
	l.publish()
}

// tellDue tells how the bench stands when that is due, or says when to look again.
func (l *loop) tellDue() {
	l.now = l.b.o.Now()
	wait := toldAtLeastNS
	if l.read {
		wait = tellGapNS
	}
	if left := l.toldNS + wait - l.now; left > 0 {
		l.tell.Reset(time.Duration(left))
		return
	}
	l.read, l.toldNS = false, l.now
	l.b.o.OnEvent(Event{Snapshot: l.publish()})
	l.tell.Reset(time.Duration(toldAtLeastNS))
}
