package store

import (
	"context"
	"database/sql"
	"fmt"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
)

// EncoderStanding is what a job saw of its encoder, as it stood after one commit.
type EncoderStanding struct {
	Standing
	Instrument Instrument // without its standing, which goes with the time
	Pulses     []calibrate.Pulse
}

// EncoderStanding gathers a job for a certificate of its encoder after the
// commit ledger; 0: after the last. Errors: ErrNotFound, ErrForeignCalibration
// for a job that was not swept with this encoder, ErrNoPoints for one without sweeps.
func (s *Store) EncoderStanding(ctx context.Context, instrument, job, ledger int64) (st EncoderStanding, err error) {
	if st.Standing, err = s.Standing(ctx, job, ledger); err != nil {
		return st, err
	}
	err = s.asOf(ctx, st.Ledger, func(tx *sql.Tx, _ int64, _ []byte) error {
		if st.Instrument, err = loadRegistered(ctx, tx, instrument); err != nil {
			return err
		}
		if k := st.Instrument.Record.Kind; k != RegisterEncoder {
			return fmt.Errorf("%w: instrument %d is kept as %q; only an encoder's certificate is made of a job", ErrInvalid, instrument, k)
		}
		l, err := s.load(ctx, tx, job)
		if err != nil {
			return err
		}
		if err := l.madeWith(instrument); err != nil {
			return err
		}
		st.Pulses, err = l.pulses()
		return err
	})
	return st, err
}

// madeWith refuses a job whose sweeps stand on another encoder's streams.
func (l *loader) madeWith(instrument int64) error {
	read := false
	for i := range l.sweeps {
		w := &l.sweeps[i]
		if w.AngleUDeg > 0 {
			continue
		}
		switch e, _ := l.register.of(acquire.KindEncoder, w.encIdentity, w.encName, w.ledger); {
		case e == nil:
			return fmt.Errorf("%w: the register does not know the encoder of job %d; write its identity %q or its bench name %q into the record", ErrForeignCalibration, l.job.ID, w.encIdentity, w.encName)
		case e.id != instrument:
			return fmt.Errorf("%w: job %d was swept with instrument %d", ErrForeignCalibration, l.job.ID, e.id)
		}
		read = true
	}
	if !read {
		return fmt.Errorf("job %d: %w", l.job.ID, ErrNoPoints)
	}
	return nil
}

// pulses are the index pulses in what belongs to the sweeps, where the encoder's
// lines tell of them.
func (l *loader) pulses() (list []calibrate.Pulse, err error) {
	finds := map[int64]func([]byte) bool{}
	var before acquire.Timed
	var beforeDeg float64
	err = l.eachAngle(func(seg segment, r *acquire.Timed, deg float64) error {
		find, known := finds[seg.stream]
		if !known {
			i, err := l.instrument(seg.stream)
			if err != nil {
				return err
			}
			find = i.IndexPulse()
			finds[seg.stream] = find
		}
		next := before.Stream == r.Stream && before.Seq+1 == r.Seq
		if find != nil && next && find(r.Raw) {
			list = append(list, calibrate.Pulse{Mount: seg.mount, FromDeg: beforeDeg, ToDeg: deg})
		}
		before, beforeDeg = *r, deg
		return nil
	})
	return list, err
}
