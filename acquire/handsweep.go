package acquire

import (
	"context"
	"fmt"
	"math"
	"slices"
)

// BeginHand asks for a sweep that a person reads: at each of the damper's degree
// marks the crank is held, and the height there is taken.
type BeginHand struct {
	Job       int64
	Cylinder  int
	Indicator string  // "": a plain dial, typed
	Direction int     // +1: the crank is turned in running direction, −1: back
	AngleUDeg float64 // how well the marks are read; 0: as the bench file says, else 0.2
	// DamperMoved: the damper or its pointer was moved since the last such sweep
	// of the job, so that its marks have another zero.
	DamperMoved bool
	ZeroedOn    string // "": the display's zero is the one of the last such sweep
}

// HandSweep is a sweep that a person reads, as it stands.
type HandSweep struct {
	ID, Job               int64
	Cylinder, Direction   int
	Indicator             string
	AngleUDeg             float64
	Mount, Setup, Zeroing int
	Taken                 []HandReading // without those taken back
}

// HandReading is a degree mark and the height there.
type HandReading struct {
	Seq               int64
	MarkDeg, HeightMM float64
	AgeS              *float64 // of a live display's reading; nil: it was typed
}

// ReasonTakenBack is a Gap's: a person took these readings back.
const ReasonTakenBack = "taken_back"

// handRun is the hand sweep in the making.
type handRun struct {
	id, job             int64
	cylinder, direction int
	one                 *instrument // nil: a plain dial
	height, marks       InstrumentConfig
	enc, ind            int64 // streams
	seq, lastNS         int64
	place               handPlace
	taken               []HandReading
}

func (h *handRun) show() HandSweep {
	return HandSweep{ID: h.id, Job: h.job, Cylinder: h.cylinder, Direction: h.direction, Indicator: h.height.Name, AngleUDeg: h.marks.AngleUDeg,
		Mount: h.place.mount, Setup: h.place.setup, Zeroing: h.place.zeroing, Taken: slices.Clone(h.taken)}
}

// BeginHand begins a sweep that a person reads; one that is being read ends. It
// returns once that is stored.
func (b *Bench) BeginHand(ctx context.Context, w BeginHand) (HandSweep, error) {
	return result(ctx, b, false, func(l *loop, out *HandSweep) error {
		if err := w.check(); err != nil {
			return err
		}
		h := &handRun{job: w.Job, cylinder: w.Cylinder, direction: w.Direction, height: dialConfig(), marks: marksConfig(w.AngleUDeg)}
		if w.Indicator != "" && (w.Indicator != PlainDial || l.indicator(PlainDial) != nil) {
			if h.one = l.indicator(w.Indicator); h.one == nil {
				return l.unknown(w.Indicator)
			}
			if err := l.offStand(h.one); err != nil {
				return err
			}
			h.height = h.one.cfg
		}
		if w.AngleUDeg == 0 {
			h.marks.AngleUDeg = usualAngleUDeg
			if e := l.enc.cfg; e.Format == FormatMarks && e.AngleUDeg > 0 {
				h.marks.AngleUDeg = e.AngleUDeg
			}
		}
		l.endHand(CauseDone)
		l.placeHand(h, w)
		l.openHand(h)
		*out = h.show()
		return nil
	})
}

func (w BeginHand) check() error {
	switch {
	case w.Job <= 0:
		return misread("job", "name a job", "there is no job %d", w.Job)
	case w.Cylinder <= 0:
		return misread("cylinder", "numbers start at 1", "there is no cylinder %d", w.Cylinder)
	case w.Direction != 1 && w.Direction != -1:
		return misread("direction", "it is 1 in running direction or -1 back", "there is no direction %d", w.Direction)
	case !(w.AngleUDeg >= 0 && w.AngleUDeg <= mostAngleUDeg):
		return misread("angle_u_deg", "it lies above 0 and is 5 at most, 0.2 for fine marks", "marks cannot be read to %g°", w.AngleUDeg)
	}
	return nil
}

func (l *loop) handNews(state, cause string) {
	h := l.hand
	l.cur.news = append(l.cur.news, SweepNews{ID: h.id, Job: h.job, Cylinder: h.cylinder, Indicator: h.height.Name,
		State: state, Cause: cause, Direction: h.direction, Stored: int64(len(h.taken))})
}

func (l *loop) handSweep(id int64) (*handRun, error) {
	if l.hand == nil || l.hand.id != id {
		return nil, fmt.Errorf("sweep %d: %w: it has ended, by another one or because the program was started again; what was read is kept; begin another", id, ErrNoHandSweep)
	}
	return l.hand, nil
}

// ReadHand takes one pair: the mark as written, and the height as typed; "": what
// the live display shows. It returns once both are stored.
func (b *Bench) ReadHand(ctx context.Context, sweep int64, mark, height string) (HandSweep, error) {
	return result(ctx, b, false, func(l *loop, out *HandSweep) error {
		h, err := l.handSweep(sweep)
		if err != nil {
			return err
		}
		angle, err := typed(mark, h.marks)
		if err != nil {
			return err
		}
		deg := h.marks.AngleDeg(angle.Ticks, angle.Unit, angle.Decimals)
		if err := h.senseOfMark(deg); err != nil {
			return err
		}
		value, ageS, err := l.handHeight(h, height)
		if err != nil {
			return err
		}
		mm := h.height.HeightMM(value)
		if err := h.senseOfHeight(deg, mm); err != nil {
			return err
		}
		l.takeHand(h, angle, value, HandReading{MarkDeg: deg, HeightMM: mm, AgeS: ageS})
		*out = h.show()
		return nil
	})
}

// handHeight is what was typed, or what the display shows and since when.
func (l *loop) handHeight(h *handRun, text string) (Reading, *float64, error) {
	if text != "" {
		r, err := typed(text, h.height)
		return r, nil, err
	}
	if h.one == nil || h.one.cfg.ByEye() {
		return Reading{}, nil, misread("height", "type what it shows", "the height is missing, and indicator %s does not speak", h.height.Name)
	}
	r, err := h.one.steady(l.now)
	if err != nil {
		return Reading{}, nil, err
	}
	age := float64(l.now-r.AtNS) / 1e9
	return Reading{Ticks: r.Ticks, Decimals: r.Decimals, Unit: r.Unit, Raw: r.Raw}, &age, nil
}

// takeHand puts both readings of a pair into the batch, at one moment.
func (l *loop) takeHand(h *handRun, angle, height Reading, pair HandReading) {
	h.seq++
	h.lastNS = max(l.now, h.lastNS+1)
	pair.Seq = h.seq
	for _, r := range []Reading{{Stream: h.enc, Ticks: angle.Ticks, Decimals: angle.Decimals, Unit: angle.Unit, Raw: angle.Raw},
		{Stream: h.ind, Ticks: height.Ticks, Decimals: height.Decimals, Unit: height.Unit, Raw: height.Raw}} {
		r.Seq, r.AtNS = h.seq, h.lastNS
		l.handBatch = append(l.handBatch, r)
	}
	h.taken = append(h.taken, pair)
	l.handNews("running", "")
}

// TakeBackHand leaves the last pair out. Its readings stay where they are kept,
// with a gap that says so. It returns once that is stored.
func (b *Bench) TakeBackHand(ctx context.Context, sweep int64) (HandSweep, error) {
	return result(ctx, b, false, func(l *loop, out *HandSweep) error {
		h, err := l.handSweep(sweep)
		if err != nil {
			return err
		}
		n := len(h.taken)
		if n == 0 {
			return fmt.Errorf("sweep %d: %w: there is nothing to take back", sweep, ErrNothingRead)
		}
		last := h.taken[n-1]
		h.taken = h.taken[:n-1]
		for _, stream := range []int64{h.enc, h.ind} {
			l.cur.batch.Gaps = append(l.cur.batch.Gaps, Gap{Stream: stream, AfterSeq: last.Seq - 1, AtNS: l.now, Reason: ReasonTakenBack, N: 1})
		}
		l.handNews("running", "")
		*out = h.show()
		return nil
	})
}

// EndHand ends a sweep that a person reads. It returns once that is stored.
func (b *Bench) EndHand(ctx context.Context, sweep int64) (HandSweep, error) {
	return result(ctx, b, false, func(l *loop, out *HandSweep) error {
		h, err := l.handSweep(sweep)
		if err != nil {
			return err
		}
		*out = h.show()
		l.endHand(CauseDone)
		return nil
	})
}

// endHand ends the hand sweep that is being read, if there is one.
func (l *loop) endHand(cause string) {
	h := l.hand
	if h == nil {
		return
	}
	l.cur.batch.Ends = append(l.cur.batch.Ends, SweepEnd{Sweep: h.id, IndTo: h.seq, EncTo: h.seq, Direction: h.direction, Cause: cause, AtNS: l.now})
	l.handNews("complete", cause)
	l.curRows++
	if i := slices.Index(Causes(), cause); i >= 0 {
		l.b.ended[i].Add(1)
	}
	l.hand = nil
}

func (h *handRun) running() RunningSweep {
	r := RunningSweep{ID: h.id, Job: h.job, Cylinder: h.cylinder, Indicator: h.height.Name, Direction: h.direction, Readings: int64(len(h.taken))}
	if n := len(h.taken); n > 0 {
		r.SpanDeg = math.Abs(h.taken[n-1].MarkDeg - h.taken[0].MarkDeg)
	}
	return r
}
