package store

import (
	"cmp"
	"context"
	"slices"

	"crownmark/acquire"
)

// loader holds what both Input and Export need of one job.
type loader struct {
	ctx      context.Context
	q        querier
	job      Job
	sign     float64
	sweeps   []span // with readings, not set aside, in the order of time
	setAside int
	segments []segment // of the encoder, by mount and time
	presses  []press
	known    map[int64]*instrument
	offset   map[int64]int64 // by session: what to add to t_ns
	register *register
	uses     map[int64]use // by sweep
}

func (s *Store) load(ctx context.Context, q querier, job int64) (*loader, error) {
	l := &loader{ctx: ctx, q: q, known: map[int64]*instrument{}, offset: map[int64]int64{}}
	var err error
	if l.job, err = loadJob(ctx, q, job); err != nil {
		return nil, err
	}
	l.sign = runningSign(l.job)
	all, err := s.spans(ctx, q, "WHERE w.job = ?", job)
	if err != nil {
		return nil, err
	}
	for _, w := range all {
		switch {
		case w.SetAside:
			l.setAside++
		case w.Readings > 0:
			l.sweeps = append(l.sweeps, w)
		}
	}
	slices.SortStableFunc(l.sweeps, func(a, b span) int {
		return cmp.Or(cmp.Compare(a.session, b.session), cmp.Compare(a.firstNS, b.firstNS), cmp.Compare(a.ID, b.ID))
	})
	l.splitSetups()
	if err := l.loadUses(); err != nil {
		return nil, err
	}
	if err := l.loadReclock(); err != nil {
		return nil, err
	}
	return l, l.lay()
}

// loadUses finds how each sweep's indicator stood with its calibration.
func (l *loader) loadUses() (err error) {
	if l.register, err = loadRegister(l.ctx, l.q); err != nil {
		return err
	}
	l.uses = map[int64]use{}
	for _, w := range l.sweeps {
		e, _ := l.register.of(acquire.KindIndicator, w.identity, w.Indicator, w.ledger)
		if l.uses[w.ID], err = l.register.use(e, w.ledger, w.StartedAt, w.Simulated); err != nil {
			return err
		}
	}
	return nil
}

// splitSetups: a setup is one placement on one cylinder. Where some of its
// sweeps were assigned to another cylinder, those get a setup of their own.
func (l *loader) splitSetups() {
	type place struct{ setup, cylinder int }
	cylinder, split, last := map[int]int{}, map[place]int{}, 0
	for _, w := range l.sweeps {
		last = max(last, w.Setup)
		if _, seen := cylinder[w.Setup]; !seen {
			cylinder[w.Setup] = w.Cylinder
		}
	}
	for i := range l.sweeps {
		w := &l.sweeps[i]
		if w.Cylinder == cylinder[w.Setup] {
			continue
		}
		p := place{w.Setup, w.Cylinder}
		if split[p] == 0 {
			last++
			split[p] = last
		}
		w.Setup = split[p]
	}
}

// lay finds the encoder's segments and puts the sessions one after the other:
// by the wall clock, but never over one another should that have gone back.
func (l *loader) lay() error {
	var endNS, session int64 // laid so far
	for i := range l.sweeps {
		w := &l.sweeps[i]
		seg, err := encoderWindow(l.ctx, l.q, w)
		if err != nil {
			return err
		}
		if w.AngleUDeg == 0 {
			l.segments = append(l.segments, seg)
		}
		beginNS, lastNS, err := sweepTimes(l.ctx, l.q, w)
		if err != nil {
			return err
		}
		switch {
		case i == 0:
			l.offset[w.session] = -beginNS
		case w.session != session:
			first := l.sweeps[0]
			wall := w.sessionStartUnix - first.sessionStartUnix + l.offset[first.session]
			l.offset[w.session] = max(wall, endNS+10*aroundNS-beginNS)
		}
		session, endNS = w.session, max(endNS, lastNS+l.offset[w.session])
	}
	l.segments = union(l.segments)
	return l.loadPresses()
}

func (l *loader) instrument(stream int64) (*instrument, error) {
	if i := l.known[stream]; i != nil {
		return i, nil
	}
	i, err := loadInstrument(l.ctx, l.q, stream)
	l.known[stream] = &i
	return &i, err
}

// seconds is a moment of a session on the job's time.
func (l *loader) seconds(session, tNS int64) float64 { return float64(tNS+l.offset[session]) / 1e9 }
