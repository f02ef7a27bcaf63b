package store

import (
	"context"
	"iter"

	"crownmark/acquire"
)

// Samples hands out all readings of a sweep, indicator's and encoder's, in the
// order of their making; TS is seconds since the sweep's first reading. Of a
// sweep that a person read, each height has its mark's angle beside it. An
// error of f ends it and is returned. Errors: ErrNotFound.
func (s *Store) Samples(ctx context.Context, sweep int64, f func(Sample) error) error {
	w, err := s.span(ctx, s.readers, sweep)
	if err != nil {
		return err
	}
	if w.AngleUDeg > 0 {
		return handSamples(ctx, s.readers, &w, f)
	}
	job, err := s.Job(ctx, w.Job)
	if err != nil {
		return err
	}
	indicator, err := loadInstrument(ctx, s.readers, w.indStream)
	if err != nil {
		return err
	}
	encoder, err := loadInstrument(ctx, s.readers, w.encStream)
	if err != nil {
		return err
	}
	m := merge{indicator: &indicator, encoder: &encoder, sign: runningSign(job)}
	return m.run(indicator.timed(ctx, s.readers, w.indFrom, w.indTo), encoder.timed(ctx, s.readers, w.encFrom, w.encTo), f)
}

// runningSign turns configured angles into running direction; +1 until that is
// confirmed.
func runningSign(j Job) float64 {
	if j.DirectionSign < 0 {
		return -1
	}
	return 1
}

// merge brings two streams of one session into the order of time and gives
// each height the encoder's angle.
type merge struct {
	indicator, encoder *instrument
	sign               float64
	zeroNS             int64

	unwrap  unwrap
	last    *Sample  // encoder's last before the waiting heights
	waiting []Sample // heights since then, without an angle so far
}

type pull struct {
	next func() (acquire.Timed, error, bool)
	r    acquire.Timed
	err  error
	ok   bool
}

func (p *pull) step() { p.r, p.err, p.ok = p.next() }

func (m *merge) run(heights, angles iter.Seq2[acquire.Timed, error], f func(Sample) error) error {
	nextHeight, stopHeights := iter.Pull2(heights)
	defer stopHeights()
	nextAngle, stopAngles := iter.Pull2(angles)
	defer stopAngles()
	h, a := &pull{next: nextHeight}, &pull{next: nextAngle}
	h.step()
	a.step()
	m.begin(h, a)
	for h.ok || a.ok {
		if h.err != nil {
			return h.err
		}
		if a.err != nil {
			return a.err
		}
		if h.ok && (!a.ok || h.r.MadeNS < a.r.MadeNS) {
			m.waiting = append(m.waiting, m.height(&h.r))
			h.step()
			continue
		}
		sample, err := m.angle(&a.r)
		if err != nil {
			return err
		}
		if err := m.flush(sample, f); err != nil {
			return err
		}
		a.step()
	}
	return m.flush(nil, f)
}

// begin counts time from the first reading of either stream.
func (m *merge) begin(h, a *pull) {
	m.zeroNS = h.r.MadeNS
	if a.ok && (!h.ok || a.r.MadeNS < h.r.MadeNS) {
		m.zeroNS = a.r.MadeNS
	}
}

func (m *merge) sample(i *instrument, r *acquire.Timed) Sample {
	sample := Sample{Kind: i.Kind, Seq: r.Seq, TS: m.seconds(r.MadeNS), Burst: r.Late(), Raw: i.RawText(r.Raw)}
	if r.MadeNS != r.AtNS {
		arrival := m.seconds(r.AtNS)
		sample.ArrivalS = &arrival
	}
	return sample
}

func (m *merge) seconds(tNS int64) float64 { return float64(tNS-m.zeroNS) / 1e9 }

func (m *merge) height(r *acquire.Timed) Sample {
	sample, mm := m.sample(m.indicator, r), m.indicator.HeightMM(r.Reading)
	sample.HeightMM = &mm
	return sample
}

func (m *merge) angle(r *acquire.Timed) (*Sample, error) {
	sample, count := m.sample(m.encoder, r), r.Ticks
	deg, err := m.unwrap.angleDeg(m.encoder, &r.Reading)
	if err != nil {
		return nil, err
	}
	deg *= m.sign
	sample.AngleDeg = &deg
	if r.Unit != acquire.UnitDegree {
		sample.Count = &count
	}
	return &sample, nil
}

// flush hands out the waiting heights, now that both neighbours are known, and
// then the encoder's own sample.
func (m *merge) flush(next *Sample, f func(Sample) error) error {
	for _, sample := range m.waiting {
		if m.last != nil && next != nil {
			deg := *m.last.AngleDeg
			if dt := next.TS - m.last.TS; dt > 0 {
				deg += (*next.AngleDeg - deg) * (sample.TS - m.last.TS) / dt
			}
			sample.AngleDeg = &deg
		}
		if err := f(sample); err != nil {
			return err
		}
	}
	m.waiting = m.waiting[:0]
	if next == nil {
		return nil
	}
	m.last = next
	return f(*next)
}
