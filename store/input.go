package store

import (
	"cmp"
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
// Times are seconds from the job's first reading, over all its sessions; angles
// are in running direction once that is confirmed. Errors: ErrNotFound.
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

// loader holds what both Input and Export need of one job.
type loader struct {
	ctx      context.Context
	q        querier
	job      Job
	sign     float64
	sweeps   []span // with readings, not set aside, in the order of time
	setAside int
	segments []segment // of the encoder, by mount and time
	known    map[int64]*instrument
	offset   map[int64]int64 // by session: what to add to t_ns
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
	return l, l.lay()
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
		l.segments = append(l.segments, seg)
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
	return nil
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

func (l *loader) input() (fit.Input, error) {
	in := fit.Input{Engine: l.job.Engine, Priors: fit.DefaultPriors(), SetAside: l.setAside,
		DirectionConfirmed: l.job.DirectionSign != 0, Simulated: l.job.Simulated}
	encoders, err := l.encoders()
	if err != nil {
		return in, err
	}
	for i := range l.sweeps {
		w := &l.sweeps[i]
		height, err := l.heights(w)
		if err != nil {
			return in, err
		}
		in.Sweeps = append(in.Sweeps, fit.Sweep{ID: w.ID, Cylinder: w.Cylinder, Indicator: w.Indicator,
			Mount: w.Mount, Setup: w.Setup, Zeroing: w.Zeroing, Encoder: encoders[w.Mount], Height: height, DeckZero: w.deckZero})
		if err := l.addPriors(&in.Priors, w); err != nil {
			return in, err
		}
		in.Simulated = in.Simulated || w.Simulated
	}
	in.Marks, err = l.marks()
	return in, err
}

// encoders builds one series for each mount.
func (l *loader) encoders() (map[int]*fit.Series, error) {
	out := map[int]*fit.Series{}
	wraps := map[int]*unwrap{}
	for _, seg := range l.segments {
		if out[seg.mount] == nil {
			out[seg.mount], wraps[seg.mount] = &fit.Series{}, &unwrap{}
		}
		err := l.append(out[seg.mount], seg.session, seg.stream, seg.from, seg.to, func(i *instrument, r *acquire.Reading) (float64, error) {
			deg, err := wraps[seg.mount].angleDeg(i, r)
			return l.sign * deg, err
		})
		if err != nil {
			return nil, err
		}
	}
	for _, s := range out {
		dropLate(s)
	}
	return out, nil
}

func (l *loader) heights(w *span) (s fit.Series, err error) {
	err = l.append(&s, w.session, w.indStream, w.indFrom, w.indTo, heightMM)
	dropLate(&s)
	return s, err
}

func (l *loader) append(s *fit.Series, session, stream, from, to int64, value func(*instrument, *acquire.Reading) (float64, error)) error {
	i, err := l.instrument(stream)
	if err != nil {
		return err
	}
	for r, err := range readings(l.ctx, l.q, stream, from, to) {
		if err != nil {
			return err
		}
		v, err := value(i, &r)
		if err != nil {
			return err
		}
		s.T = append(s.T, l.seconds(session, r.AtNS))
		s.V = append(s.V, v)
		s.Late = append(s.Late, r.Burst)
	}
	return nil
}

func heightMM(i *instrument, r *acquire.Reading) (float64, error) { return i.HeightMM(*r), nil }

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
	prior := fit.IndicatorPrior{LatencyMS: ind.LatencyMS, LatencyUMS: ind.LatencyUMS, ResolutionMM: ind.ResolutionMM}
	if prior.LatencyUMS <= 0 { // nobody knows a latency exactly
		prior.LatencyUMS = p.Default.LatencyUMS
	}
	if p.Indicators == nil {
		p.Indicators = map[string]fit.IndicatorPrior{}
	}
	p.Indicators[w.Indicator] = prior
	p.LashDeg = enc.LashDeg
	if enc.LashUDeg > 0 {
		p.LashUDeg = enc.LashUDeg
	}
	p.EncoderStepDeg = 0
	if enc.CountsPerRev > 0 {
		p.EncoderStepDeg = 360 / enc.CountsPerRev
	}
	p.EccentricityUDeg, p.AccuracyUDeg = enc.EccentricityUDeg, enc.AccuracyUDeg
	if w.minSpanDeg != nil && *w.minSpanDeg > 0 {
		p.MinSpanDeg = *w.minSpanDeg
	}
	return nil
}

// marks are the presses, each at the encoder's last reading before it.
func (l *loader) marks() ([]fit.Mark, error) {
	type press struct {
		fit.Mark
		stream, seq int64
	}
	presses, err := collect(l.ctx, l.q, func(row scanner) (p press, err error) {
		return p, row.Scan(&p.MarkDeg, &p.Approach, &p.stream, &p.seq, &p.Mount)
	}, `SELECT mark_deg, approach, enc_stream, enc_seq,
		coalesce((SELECT number FROM datum WHERE stream = m.enc_stream AND kind = 'mount' AND from_seq <= m.enc_seq ORDER BY from_seq DESC, id DESC LIMIT 1),
		         (SELECT number FROM datum WHERE stream = m.enc_stream AND kind = 'mount' ORDER BY from_seq, id LIMIT 1), 0)
		FROM mark m WHERE job = ? ORDER BY id`, l.job.ID)
	if err != nil {
		return nil, err
	}
	var out []fit.Mark
	for _, p := range presses {
		i, err := l.instrument(p.stream)
		if err != nil {
			return nil, err
		}
		seq, found, err := seqWhere(l.ctx, l.q, "stream = ? AND seq <= ? ORDER BY seq DESC", p.stream, p.seq)
		if err == nil && !found {
			seq, found, err = seqWhere(l.ctx, l.q, "stream = ? ORDER BY seq", p.stream)
		}
		if err != nil {
			return nil, err
		}
		if !found {
			continue // no encoder reading of that stream was kept: nothing to tell
		}
		list, err := readingChunk(l.ctx, l.q, p.stream, seq, seq)
		if err != nil {
			return nil, err
		}
		deg, err := new(unwrap).angleDeg(i, &list[0])
		if err != nil {
			return nil, err
		}
		p.AngleDeg = l.sign * deg
		p.Approach *= int(l.sign)
		out = append(out, p.Mark)
	}
	return out, nil
}
