package store

import (
	"slices"

	"crownmark/fit"
)

// press is a damper mark as kept, at an encoder reading.
type press struct {
	fit.Mark
	stream, seq int64
}

// loadPresses finds each press's encoder reading: the last kept one before it,
// or else the first after. Where no segment covers that, it gets one of its own,
// so that its angle is followed like all others of its mount.
func (l *loader) loadPresses() error {
	presses, err := collect(l.ctx, l.q, func(row scanner) (p press, err error) {
		return p, row.Scan(&p.ID, &p.MarkDeg, &p.Approach, &p.stream, &p.seq, &p.Mount)
	}, `SELECT id, mark_deg, approach, enc_stream, enc_seq,
		coalesce((SELECT number FROM datum WHERE stream = m.enc_stream AND kind = 'mount' AND from_seq <= m.enc_seq ORDER BY from_seq DESC, id DESC LIMIT 1),
		         (SELECT number FROM datum WHERE stream = m.enc_stream AND kind = 'mount' ORDER BY from_seq, id LIMIT 1), 0)
		FROM mark m WHERE job = ? AND NOT (`+markAside+`) ORDER BY id`, l.job.ID)
	if err != nil {
		return err
	}
	for _, p := range presses {
		at, found, err := seqWhere(l.ctx, l.q, "stream = ? AND seq <= ? ORDER BY seq DESC", p.stream, p.seq)
		if err == nil && !found {
			at, found, err = seqWhere(l.ctx, l.q, "stream = ? ORDER BY seq", p.stream)
		}
		if err != nil {
			return err
		}
		if !found {
			continue // no encoder reading of that stream was kept: nothing to tell
		}
		p.seq = at
		l.presses = append(l.presses, p)
		covers := func(s segment) bool {
			return s.mount == p.Mount && s.stream == p.stream && s.from <= at && at <= s.to
		}
		if !slices.ContainsFunc(l.segments, covers) {
			l.segments = append(l.segments, segment{mount: p.Mount, stream: p.stream, from: at, to: at, pressOnly: true})
		}
	}
	slices.SortStableFunc(l.segments, bySeq)
	return nil
}

// pressed notes the angle of the presses made at this encoder reading.
func (l *loader) pressed(stream, seq int64, deg float64) {
	for i := range l.presses {
		if p := &l.presses[i]; p.stream == stream && p.seq == seq {
			p.AngleDeg = deg
		}
	}
}

// marks are the presses with their angles, which encoders has found.
func (l *loader) marks() []fit.Mark {
	var out []fit.Mark
	for _, p := range l.presses {
		p.Approach *= int(l.sign)
		out = append(out, p.Mark)
	}
	return out
}
