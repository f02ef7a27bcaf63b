package acquire

import "math"

// publish makes the bench as it stands visible to everybody.
func (l *loop) publish() *Snapshot {
	s := l.snapshot()
	if h := l.hand; h != nil {
		s.Running = append(s.Running, h.running())
	}
	l.b.snap.Store(s)
	return s
}

func (l *loop) snapshot() *Snapshot {
	s := &Snapshot{NowNS: l.now, Encoder: l.state(l.enc), Selection: l.selection, Recording: l.recording,
		LastMove: l.lastMove.dir, LastMoveDeg: l.lastMove.deg, Notices: l.notices.show(l.now), StoredLedger: l.b.queue.ledger.Load()}
	for i, one := range l.inds {
		s.Indicators = append(s.Indicators, l.state(one))
		if run := l.running[i]; run != nil {
			s.Running = append(s.Running, RunningSweep{ID: run.id, Job: run.job, Cylinder: run.cylinder, Indicator: one.cfg.Name,
				Direction: run.direction, SpanDeg: l.detector.span(i), Paused: run.paused, Readings: max(0, one.seq-run.indFrom+1)})
		}
	}
	if l.stand != nil {
		s.Stand = l.stand.state(l)
	}
	return s
}

func (l *loop) state(one *instrument) InstrumentState {
	status := l.status(one)
	s := InstrumentState{Kind: one.cfg.Kind, Name: one.cfg.Name, Port: one.cfg.Port, Live: one.opened != nil && !one.fresh,
		Status: status, Detail: l.detail(one, status), Stream: one.streamID(), LastSeq: one.seq,
		Cylinder: one.cylinder, Mount: one.mount, Setup: one.setup, Zeroing: one.zeroing, LatencyTimerMS: one.lumpsMS, Rhythm: one.shown,
		Config: one.cfg, Identity: one.identity, Lines: one.lines.list(), OwnClock: one.clock.told()}
	if one.has {
		value := one.value
		s.Value, s.Raw, s.LastNS = &value, one.cfg.RawText(one.last.Raw), one.last.AtNS
	}
	if one.index >= 0 {
		s.ResolutionMM = one.resolution.MM()
		c := &l.detector.probes[one.index].contact
		s.Contact = c.touching
		if !math.IsNaN(c.rest) {
			rest := c.rest
			s.RestMM = &rest
		}
	}
	s.age(l.now)
	return s
}
