package acquire

import "slices"

// StandState is a guided calibration as it stands. It is immutable.
type StandState struct {
	Calibration int64
	Indicator   string
	Take        string
	Points      []StandPoint // the whole plan
	Taken       []StandTaken // the first of them
	Stored      int          // of Taken, those that are on the disk
	State       string       // StandTurn …
	Next        *StandPoint  // nil: all are taken
	ShowsMM     *float64     // the display; nil: not heard
	ExpectedMM  *float64     // what it should show at Next; nil: not known before the first point
	BackToMM    *float64     // StandBack: what it must show before it comes to Next
	SteadyForS  float64      // how long it has stood at Next
	SteadyS     float64      // how long it must
	WithinMM    float64
	Refused     *StandRefusal
}

// StandNews tells what happened to a guided calibration, once it is stored.
type StandNews struct {
	Calibration int64
	What        string // StandBegun, StandTook, StandTookBack, StandEnded, StandLost
	Stored      int    // points that count
}

// What StandNews tells.
const (
	StandBegun    = "begun"
	StandTook     = "taken"
	StandTookBack = "taken_back"
	StandEnded    = "ended"
	StandLost     = "lost" // a point could not be stored, and the run was given up
)

func (s *standRun) state(l *loop) *StandState {
	out := &StandState{Calibration: s.id, Indicator: s.cfg.Name, Take: s.take, Points: s.plan, Taken: s.taken, Stored: s.stored,
		State: s.guide.state, SteadyS: float64(s.steadyNS) / 1e9, Refused: s.refused}
	if s.one != nil && s.one.has && s.one.opened != nil && !s.one.fresh {
		shows := s.one.value
		out.ShowsMM = &shows
	}
	next := s.next()
	if next == nil {
		return out
	}
	out.Next, out.WithinMM = next, s.within(*next)
	if e, known := s.expected(next.ReferenceMM); known {
		out.ExpectedMM = &e
	}
	switch {
	case s.away(l.now):
		out.State = StandPaused
	case out.State == StandHold || out.State == StandPress && !s.typed:
		out.SteadyForS = float64(s.still.forNS()) / 1e9
	case out.State == StandBack:
		to := s.backTo(*next, s.aim(*next))
		out.BackToMM = &to
	}
	return out
}

// away tells that the indicator is not heard: the run waits.
func (s *standRun) away(nowNS int64) bool {
	if s.typed {
		return false
	}
	one := s.one
	return one.opened == nil || s.take != TakeLine && (one.fresh || nowNS-one.last.AtNS > max(freshNS, int64(3*one.usualNS)))
}

// standHears is told what the indicator on the stand says.
func (l *loop) standHears(one *instrument, r Reading, mm float64, anew bool) {
	s := l.stand
	if s == nil || s.one != one {
		return
	}
	one.drift = extent{} // the encoder need not turn with it
	if anew {
		s.restart()
	}
	s.stepMM = max(one.resolution.MM(), one.cfg.ResolutionMM)
	switch x, m := s.feed(sample{atNS: r.AtNS, mm: mm, raw: r}); m {
	case meansPoint:
		l.takePoint(s, x)
		l.flush()
	case meansStuck:
		l.takeBackPoint(s, actorBench)
		s.refuse(RefusedStuck, "the display jumped away from the point: it had not followed the plunger, and the point was taken back",
			"look at the plunger and its cable; then come to the point again")
		l.flush()
	}
}

// actorBench is who takes back what turned out to be no point.
const actorBench = "bench"

// takePoint puts a point and its reading into the batch.
func (l *loop) takePoint(s *standRun, x sample) {
	s.seq++
	s.lastNS = max(l.now, s.lastNS+1)
	r := x.raw
	l.handBatch = append(l.handBatch, Reading{Stream: s.stream, Seq: s.seq, AtNS: s.lastNS, Ticks: r.Ticks, Decimals: r.Decimals, Unit: r.Unit, Raw: r.Raw})
	t := StandTaken{StandPoint: *s.next(), ReadingMM: x.mm, Stream: s.stream, Seq: s.seq}
	l.cur.batch.Points = append(l.cur.batch.Points, CalibrationPoint{Calibration: s.id, Run: t.Run, Direction: t.Direction,
		ReferenceMM: t.ReferenceMM, Stream: t.Stream, Seq: t.Seq})
	s.took(t)
	l.standNews(StandTook)
}

func (l *loop) takeBackPoint(s *standRun, actor string) bool {
	t, ok := s.takeBack()
	if ok {
		l.cur.batch.Calibrated = append(l.cur.batch.Calibrated, CalibrationEvent{Calibration: s.id, Kind: CalibrationTakenBack,
			Stream: t.Stream, Seq: t.Seq, AtNS: l.now, Actor: actor})
		s.stored = min(s.stored, len(s.taken))
		l.standNews(StandTookBack)
	}
	return ok
}

func (l *loop) standNews(what string) {
	l.cur.stand = append(l.cur.stand, StandNews{Calibration: l.stand.id, What: what, Stored: len(l.stand.taken)})
	l.read = true
}

// standStored tells what of a guided calibration reached the disk.
func (l *loop) standStored(news []StandNews) {
	for _, n := range news {
		if s := l.stand; s != nil && s.id == n.Calibration {
			s.stored = min(n.Stored, len(s.taken))
			l.read = true
			l.publish() // whoever is told may look
		}
		l.b.o.OnEvent(Event{Stand: &n})
	}
}

// standGivenUp: what was taken could not be stored, and never will be.
func (l *loop) standGivenUp(news []StandNews) {
	s := l.stand
	if s == nil || !slices.ContainsFunc(news, func(n StandNews) bool { return n.Calibration == s.id }) {
		return
	}
	l.stand = nil
	l.b.o.OnEvent(Event{Stand: &StandNews{Calibration: s.id, What: StandLost, Stored: s.stored}})
}
