package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"crownmark/acquire"
	"crownmark/fit"
)

// Input gathers what fit takes of one job: its sweeps in the order of time,
// without those set aside, running and unfinished ones included; one shared
// encoder series for each mount; marks, engine and what was known of the bench.
// revision changes whenever the result may.
//
// Times are seconds from the job's first reading's arrival, over all its
// sessions, and of the making of a reading where its instrument tells that;
// angles are in running direction once that is confirmed. Errors: ErrNotFound.
func (s *Store) Input(ctx context.Context, job int64) (in fit.Input, revision string, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) (err error) {
		l, err := s.load(ctx, tx, job)
		if err != nil {
			return err
		}
		if in, err = l.input(); err != nil {
			return err
		}
		revision, err = s.revision(ctx, tx, job)
		return err
	})
	if err != nil {
		return fit.Input{}, "", fmt.Errorf("input of job %d: %w", job, err)
	}
	return in, revision, nil
}

func (l *loader) input() (fit.Input, error) {
	in := fit.Input{Engine: l.job.Engine, Priors: fit.DefaultPriors(), SetAside: l.setAside,
		DirectionConfirmed: l.job.DirectionSign != 0 || l.allByHand(), Simulated: l.job.Simulated}
	encoders, err := l.encoders()
	if err != nil {
		return in, err
	}
	for i := range l.sweeps {
		w := &l.sweeps[i]
		sw := fit.Sweep{ID: w.ID, Cylinder: w.Cylinder, Indicator: w.Indicator,
			Mount: w.Mount, Setup: w.Setup, Zeroing: w.Zeroing, Encoder: encoders[w.Mount], DeckZero: w.deckZero, RestMM: w.RestMM, ReclockDeg: w.reclockDeg}
		l.uses[w.ID].put(&sw)
		if w.AngleUDeg > 0 {
			err = l.handSweep(w, &sw)
		} else {
			sw.Height, err = l.heights(w)
		}
		if err != nil {
			return in, err
		}
		in.Sweeps = append(in.Sweeps, sw)
		if err := l.addPriors(&in.Priors, w); err != nil {
			return in, err
		}
		in.Simulated = in.Simulated || w.Simulated
	}
	in.Marks = l.marks()
	return in, nil
}

// encoders builds one series for each mount.
func (l *loader) encoders() (map[int]*fit.Series, error) {
	out := map[int]*fit.Series{}
	err := l.eachAngle(func(seg segment, r *acquire.Timed, deg float64) error {
		l.pressed(r.Stream, r.Seq, deg)
		if seg.pressOnly {
			return nil
		}
		s := out[seg.mount]
		if s == nil {
			s = &fit.Series{}
			out[seg.mount] = s
		}
		s.T = append(s.T, l.seconds(seg.session, r.MadeNS))
		s.V = append(s.V, deg)
		s.Late = append(s.Late, r.Late())
		return nil
	})
	for _, s := range out {
		dropLate(s)
	}
	return out, err
}

// eachAngle hands out the segments' readings with their angles in running
// direction, followed through each mount.
func (l *loader) eachAngle(f func(segment, *acquire.Timed, float64) error) error {
	wraps := map[int]*unwrap{}
	for _, seg := range l.segments {
		i, err := l.instrument(seg.stream)
		if err != nil {
			return err
		}
		if wraps[seg.mount] == nil {
			wraps[seg.mount] = &unwrap{}
		}
		for r, err := range i.timed(l.ctx, l.q, seg.from, seg.to) {
			if err != nil {
				return err
			}
			deg, err := wraps[seg.mount].angleDeg(i, &r.Reading)
			if err != nil {
				return err
			}
			if err := f(seg, &r, l.sign*deg); err != nil {
				return err
			}
		}
	}
	return nil
}

func (l *loader) heights(w *span) (s fit.Series, err error) {
	i, err := l.instrument(w.indStream)
	if err != nil {
		return s, err
	}
	for r, err := range i.timed(l.ctx, l.q, w.indFrom, w.indTo) {
		if err != nil {
			return s, err
		}
		s.T = append(s.T, l.seconds(w.session, r.MadeNS))
		s.V = append(s.V, i.HeightMM(r.Reading))
		s.Late = append(s.Late, r.Late())
	}
	dropLate(&s)
	return s, nil
}

// dropLate makes Late nil where no reading came late.
func dropLate(s *fit.Series) {
	if !slices.ContainsFunc(s.Late, func(n int) bool { return n > 0 }) {
		s.Late = nil
	}
}

// addPriors notes what the streams' configurations say; later sweeps win.
func (l *loader) addPriors(p *fit.Priors, w *span) error {
	ind, err := l.instrument(w.indStream)
	if err != nil {
		return err
	}
	enc, err := l.instrument(w.encStream)
	if err != nil {
		return err
	}
	prior := fit.IndicatorPrior{LatencyMS: ind.LatencyMS, LatencyUMS: ind.LatencyUMS, ResolutionMM: ind.ResolutionMM, FromArrivals: ind.LatencyOpen}
	if prior.LatencyUMS <= 0 { // nobody knows a latency exactly
		prior.LatencyUMS = p.Default.LatencyUMS
	}
	if p.Indicators == nil {
		p.Indicators = map[string]fit.IndicatorPrior{}
	}
	p.Indicators[w.Indicator] = prior
	if w.minSpanDeg != nil && *w.minSpanDeg > 0 {
		p.MinSpanDeg = *w.minSpanDeg
	}
	if w.AngleUDeg > 0 {
		return nil // marks have neither lash nor steps
	}
	p.LashDeg = enc.LashDeg
	if enc.LashUDeg > 0 {
		p.LashUDeg = enc.LashUDeg
	}
	p.EncoderStepDeg = 0
	if enc.CountsPerRev > 0 {
		p.EncoderStepDeg = 360 / enc.TicksPerTurn(acquire.UnitCount, 0)
	}
	p.EccentricityUDeg, p.AccuracyUDeg = enc.EccentricityUDeg, enc.AccuracyUDeg
	return nil
}
