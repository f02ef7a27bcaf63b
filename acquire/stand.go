package acquire

import (
	"context"
	"fmt"
	"math"
	"slices"
)

// BeginStand asks for a guided calibration: an indicator on a stand, whose points
// are taken one after the other as the plan says.
type BeginStand struct {
	Calibration int64
	Indicator   string       // "": a plain dial, typed
	Points      []StandPoint // the whole plan, in order
	// Taken are those of Points that were taken already: the first ones. The run
	// goes on behind them.
	Taken    []StandTaken
	Take     string  // TakeSteady …; "": as the indicator speaks
	SteadyS  float64 // how long the display must have stood; 0: the usual 1.5 s
	WithinMM float64 // how near to what is expected; 0: by the distance of the points
	// Freely: nothing is asked of the side from which a point is come to. Gauge
	// blocks, on which the plunger is let down.
	Freely bool
	Again  bool   // it is taken up again, after a restart
	Actor  string // who does that
}

// standRun is the guided calibration that runs.
type standRun struct {
	*guide
	id          int64
	one         *instrument // nil: a plain dial
	cfg         InstrumentConfig
	stream, seq int64
	lastNS      int64
	stored      int // of the points taken, those on the disk
}

const (
	mostStandPoints = 2000
	mostStandRuns   = 1_000_000 // what the file of points can hold
)

// BeginStand begins a guided calibration, or goes on with one. The one that runs
// already is left as it is and told. It returns once that is stored.
func (b *Bench) BeginStand(ctx context.Context, w BeginStand) (StandState, error) {
	return result(ctx, b, false, func(l *loop, out *StandState) error {
		if s := l.stand; s != nil && s.id == w.Calibration {
			*out = *s.state(l)
			return nil
		}
		s, err := l.newStand(w)
		if err != nil {
			return err
		}
		l.stand = s
		if s.one != nil {
			l.clearHints(s.one)
		}
		l.openStand(s)
		if w.Again {
			l.cur.batch.Calibrated = append(l.cur.batch.Calibrated, CalibrationEvent{Calibration: s.id, Kind: CalibrationTakenUp, AtNS: l.now, Actor: w.Actor})
		}
		l.standNews(StandBegun)
		*out = *s.state(l)
		return nil
	})
}

// newStand checks what is asked for.
func (l *loop) newStand(w BeginStand) (*standRun, error) {
	if l.stand != nil {
		return nil, fmt.Errorf("calibration %d: %w: calibration %d runs on indicator %s; end it first, or go on with it", w.Calibration, ErrStandBusy, l.stand.id, l.stand.cfg.Name)
	}
	if err := w.check(); err != nil {
		return nil, err
	}
	s := &standRun{id: w.Calibration, cfg: dialConfig(), stored: len(w.Taken)}
	if w.Indicator != "" && (w.Indicator != PlainDial || l.indicator(PlainDial) != nil) {
		if s.one = l.indicator(w.Indicator); s.one == nil {
			return nil, l.unknown(w.Indicator)
		}
		s.cfg = s.one.cfg
	}
	if err := l.offEngine(s.one); err != nil {
		return nil, err
	}
	if w.SteadyS == 0 {
		w.SteadyS = UsualSteadyS
	}
	typed := s.one == nil || s.cfg.ByEye()
	switch {
	case typed:
		w.Take = TakeCall
	case w.Take == "" && s.one.pauses >= pausesEnough:
		w.Take = TakeLine
	case w.Take == "":
		w.Take = TakeSteady
	}
	s.guide = newGuide(slices.Clone(w.Points), w.Taken, w.Take, w.SteadyS, w.WithinMM)
	s.typed, s.freely = typed, w.Freely
	s.look()
	return s, nil
}

// offEngine refuses an indicator that stands on an engine.
func (l *loop) offEngine(one *instrument) error {
	switch {
	case one == nil:
	case one.cylinder != 0:
		return fmt.Errorf("indicator %s %w, cylinder %d of job %d: take it off, and say so on the bench's page", one.cfg.Name, ErrOnEngine, one.cylinder, l.selection.Job)
	case l.hand != nil && l.hand.one == one:
		return fmt.Errorf("indicator %s %w: sweep %d is read with it; end that first", one.cfg.Name, ErrOnEngine, l.hand.id)
	}
	return nil
}

// offStand refuses an indicator that is being calibrated.
func (l *loop) offStand(one *instrument) error {
	if one == nil || l.stand == nil || l.stand.one != one {
		return nil
	}
	return fmt.Errorf("indicator %s %w: calibration %d runs; end it first", one.cfg.Name, ErrOnStand, l.stand.id)
}

func (w BeginStand) check() error {
	if w.Calibration <= 0 {
		return misread("calibration", "name a calibration", "there is no calibration %d", w.Calibration)
	}
	if len(w.Points) == 0 || len(w.Points) > mostStandPoints {
		return misread("points", fmt.Sprintf("give 1 to %d", mostStandPoints), "a calibration of %d points cannot be", len(w.Points))
	}
	for i, p := range w.Points {
		switch {
		case p.Direction != StandUp && p.Direction != StandDown && p.Direction != StandRepeat:
			return misread("points", "it is up, down or repeat", "point %d: there is no direction %q", i+1, p.Direction)
		case p.Run < 1 || p.Run > mostStandRuns:
			return misread("points", "runs are numbered from 1", "point %d: there is no run %d", i+1, p.Run)
		case !(math.Abs(p.ReferenceMM) <= mostHeightMM):
			return misread("points", "look at the decimal point and the unit", "point %d: %g mm is beyond the travel of any indicator", i+1, p.ReferenceMM)
		}
	}
	for i, t := range w.Taken {
		if i >= len(w.Points) || t.StandPoint != w.Points[i] {
			return misread("taken", "begin a new calibration", "point %d that was taken is not point %d of the plan", i+1, i+1)
		}
	}
	switch {
	case w.Take != "" && w.Take != TakeSteady && w.Take != TakeLine && w.Take != TakeCall:
		return misread("take", "it is steady, line or call", "points cannot be taken by %q", w.Take)
	case w.SteadyS != 0 && !(w.SteadyS >= leastSteadyS && w.SteadyS <= mostSteadyS):
		return misread("steady_s", fmt.Sprintf("write %g to %g seconds, or leave it out", leastSteadyS, mostSteadyS), "%g s cannot be", w.SteadyS)
	case !(w.WithinMM >= 0 && w.WithinMM <= 5):
		return misread("within_mm", "write up to 5 mm, or leave it out", "%g mm cannot be", w.WithinMM)
	}
	return nil
}

// openStand puts the run's own stream into the batch.
func (l *loop) openStand(s *standRun) {
	l.ids.LastStream++
	s.stream = l.ids.LastStream
	identity := ""
	if s.one != nil && s.one.opened != nil {
		identity = s.one.opened.Identity
	}
	l.cur.batch.Streams = append(l.cur.batch.Streams, StreamOpened{ID: s.stream, Kind: KindIndicator, Name: s.cfg.Name, Port: s.cfg.Port,
		Identity: identity, ConfigJSON: settingsJSON(s.cfg), OpenedNS: l.now})
}

func (l *loop) standOf(calibration int64) (*standRun, error) {
	if l.stand == nil || l.stand.id != calibration {
		return nil, fmt.Errorf("calibration %d: %w: it has ended, or the program was started again; what was taken is kept; go on with it, or begin another", calibration, ErrNoStand)
	}
	return l.stand, nil
}

// TakeStand takes the next point because somebody says so: as typed, or, text
// being "", what the display shows. It returns once that is stored. An error
// that is ErrNotTaken is a *StandRefusal.
func (b *Bench) TakeStand(ctx context.Context, calibration int64, text string) (StandState, error) {
	return result(ctx, b, false, func(l *loop, out *StandState) error {
		s, err := l.standOf(calibration)
		if err != nil {
			return err
		}
		x, err := l.pressed(s, text)
		if err != nil {
			return err
		}
		l.takePoint(s, x)
		*out = *s.state(l)
		return nil
	})
}

// pressed is the reading that somebody says is the next point.
func (l *loop) pressed(s *standRun, text string) (x sample, err error) {
	if s.next() == nil {
		return x, fmt.Errorf("calibration %d: %w: end it, or take the last one back", s.id, ErrAllTaken)
	}
	if text != "" {
		r, err := typed(text, s.cfg)
		if m, ok := err.(*Misread); ok {
			m.Of = "reading"
		}
		if err != nil {
			return x, err
		}
		x = sample{atNS: l.now, mm: s.cfg.HeightMM(r), raw: r}
		if math.Abs(x.mm) > mostHeightMM {
			return x, misread("reading", "look at the decimal point and the unit", "%g mm is beyond the travel of any indicator", x.mm)
		}
		if why := s.far(x.mm); why != nil {
			return x, why
		}
		return x, nil
	}
	if s.one == nil || s.cfg.ByEye() {
		return x, misread("reading", "type what it shows", "the reading is missing, and indicator %s does not speak", s.cfg.Name)
	}
	if s.take == TakeLine {
		return x, misread("reading", "press its pedal or its own button", "indicator %s sends each point itself", s.cfg.Name)
	}
	if s.away(l.now) {
		return x, fmt.Errorf("indicator %s is %w: get it going, or type the reading", s.cfg.Name, ErrNotLive)
	}
	if s.still.forNS() < steadyForNS {
		return x, fmt.Errorf("%w: keep the reference still and wait", ErrUnsteady)
	}
	x, why := s.press()
	if why != nil {
		return x, why
	}
	return x, nil
}

// TakeBackStand leaves the last point out; it is to be taken anew. Its reading
// stays where it is kept. It returns once that is stored.
func (b *Bench) TakeBackStand(ctx context.Context, calibration int64, actor string) (StandState, error) {
	return result(ctx, b, false, func(l *loop, out *StandState) error {
		s, err := l.standOf(calibration)
		if err != nil {
			return err
		}
		if !l.takeBackPoint(s, actor) {
			return fmt.Errorf("calibration %d: %w: there is nothing to take back", calibration, ErrNothingRead)
		}
		*out = *s.state(l)
		return nil
	})
}

// EndStand ends a guided calibration, finished or not; no point comes after it.
// It returns once that is stored.
func (b *Bench) EndStand(ctx context.Context, calibration int64, actor string) (StandState, error) {
	return result(ctx, b, false, func(l *loop, out *StandState) error {
		s, err := l.standOf(calibration)
		if err != nil {
			return err
		}
		l.cur.batch.Calibrated = append(l.cur.batch.Calibrated, CalibrationEvent{Calibration: s.id, Kind: CalibrationEnded, AtNS: l.now, Actor: actor})
		*out = *s.state(l)
		out.State = StandEnded
		l.standNews(StandEnded)
		l.stand = nil
		return nil
	})
}
