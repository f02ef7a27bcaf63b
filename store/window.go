package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"slices"
)

// aroundNS is how much of the encoder's stream before and after a sweep goes
// with it: latencies are fitted by shifting one against the other.
const aroundNS = 2e9

// segment is a run of encoder readings within one mount.
type segment struct {
	mount    int
	session  int64
	stream   int64
	from, to int64 // seqs, inclusive

	pressOnly bool // no sweep's, only where a mark was pressed
}

// encoderWindow is the encoder's part of a sweep: its span on that stream and
// two seconds on either side, as far as the mount reaches.
func encoderWindow(ctx context.Context, q querier, w *span) (segment, error) {
	out := segment{mount: w.Mount, session: w.session, stream: w.encStream, from: 0, to: lastSeq}
	beginNS, endNS, err := sweepTimes(ctx, q, w)
	if err != nil {
		return out, err
	}
	before, found, err := seqWhere(ctx, q, "stream = ? AND seq <= ? AND t_ns < ? ORDER BY seq DESC", w.encStream, w.encFrom, beginNS-aroundNS)
	if err != nil {
		return out, err
	}
	if found {
		out.from = before + 1
	}
	if out.to, err = trailingSeq(ctx, q, w.encStream, w.encFrom, endNS); err != nil {
		return out, err
	}
	var mountFrom, mountTo int64
	err = q.QueryRowContext(ctx, `SELECT
		coalesce((SELECT max(from_seq) FROM datum WHERE stream = ?1 AND kind = 'mount' AND from_seq <= ?2), 0),
		coalesce((SELECT min(from_seq) - 1 FROM datum WHERE stream = ?1 AND kind = 'mount' AND from_seq > ?2), ?3)`,
		w.encStream, w.encFrom, int64(lastSeq)).Scan(&mountFrom, &mountTo)
	out.from, out.to = max(out.from, mountFrom), min(out.to, mountTo)
	return out, err
}

// sweepTimes is a sweep's first and last moment on either stream.
func sweepTimes(ctx context.Context, q querier, w *span) (beginNS, endNS int64, err error) {
	beginNS, endNS = w.firstNS, w.lastNS
	if t, ok, err := timeAt(ctx, q, w.encStream, w.encFrom); err != nil {
		return 0, 0, err
	} else if ok {
		beginNS = min(beginNS, t)
	}
	if w.ended {
		if t, ok, err := timeAt(ctx, q, w.encStream, w.encTo); err != nil {
			return 0, 0, err
		} else if ok {
			endNS = max(endNS, t)
		}
	}
	return beginNS, endNS, nil
}

// trailingSeq is the last seq that belongs to a sweep that ended at endNS.
func trailingSeq(ctx context.Context, q querier, stream, from, endNS int64) (int64, error) {
	after, found, err := seqWhere(ctx, q, "stream = ? AND seq >= ? AND t_ns > ? ORDER BY seq", stream, from, endNS+aroundNS)
	if err != nil || !found {
		return lastSeq, err
	}
	return after - 1, nil
}

// timeAt is when the last reading up to seq came.
func timeAt(ctx context.Context, q querier, stream, seq int64) (tNS int64, found bool, err error) {
	err = q.QueryRowContext(ctx, "SELECT t_ns FROM reading WHERE stream = ? AND seq <= ? ORDER BY seq DESC LIMIT 1", stream, seq).Scan(&tNS)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	return tNS, err == nil, err
}

func seqWhere(ctx context.Context, q querier, where string, args ...any) (seq int64, found bool, err error) {
	err = q.QueryRowContext(ctx, "SELECT seq FROM reading WHERE "+where+" LIMIT 1", args...).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	return seq, err == nil, err
}

// union joins segments that overlap or touch, ordered by mount, stream, seq.
func union(list []segment) []segment {
	slices.SortFunc(list, bySeq)
	var out []segment
	for _, s := range list {
		if n := len(out) - 1; n >= 0 && out[n].mount == s.mount && out[n].stream == s.stream && s.from <= max(out[n].to, out[n].to+1) {
			out[n].to = max(out[n].to, s.to)
			continue
		}
		out = append(out, s)
	}
	return out
}

func bySeq(a, b segment) int {
	return cmp.Or(cmp.Compare(a.mount, b.mount), cmp.Compare(a.stream, b.stream), cmp.Compare(a.from, b.from))
}
