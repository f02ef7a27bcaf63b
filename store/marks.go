package store

import "crownmark/fit"

// press is a mark as kept.
type press struct {
	fit.Mark
	stream, seq int64
}

// marks are the presses, each at the encoder's last reading before it.
func (l *loader) marks() ([]fit.Mark, error) {
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
		deg, found, err := l.angleAt(p.stream, p.seq)
		if err != nil {
			return nil, err
		}
		if !found {
			continue // no encoder reading of that stream was kept: nothing to tell
		}
		p.AngleDeg = l.sign * deg
		p.Approach *= int(l.sign)
		out = append(out, p.Mark)
	}
	return out, nil
}

// angleAt is the encoder's angle at its last kept reading up to seq, or the
// first after it.
func (l *loader) angleAt(stream, seq int64) (deg float64, found bool, err error) {
	i, err := l.instrument(stream)
	if err != nil {
		return 0, false, err
	}
	at, found, err := seqWhere(l.ctx, l.q, "stream = ? AND seq <= ? ORDER BY seq DESC", stream, seq)
	if err == nil && !found {
		at, found, err = seqWhere(l.ctx, l.q, "stream = ? ORDER BY seq", stream)
	}
	if err != nil || !found {
		return 0, false, err
	}
	list, err := readingChunk(l.ctx, l.q, stream, at, at)
	if err != nil {
		return 0, false, err
	}
	deg, err = new(unwrap).angleDeg(i, &list[0])
	return deg, true, err
}
