package store

import (
	"context"
	"errors"
	"iter"

	"crownmark/acquire"
)

// chunk is how many readings one query brings. Each is closed before its
// readings are handed on, so that a slow taker does not pin the WAL.
const chunk = 4096

// readings yields a stream's readings with from ≤ seq ≤ to, in that order.
func readings(ctx context.Context, q querier, stream, from, to int64) iter.Seq2[acquire.Reading, error] {
	return func(yield func(acquire.Reading, error) bool) {
		for {
			list, err := readingChunk(ctx, q, stream, from, to)
			for i := range list {
				if !yield(list[i], nil) {
					return
				}
			}
			if err != nil {
				yield(acquire.Reading{}, err)
			}
			if err != nil || len(list) < chunk || list[len(list)-1].Seq == to {
				return
			}
			from = list[len(list)-1].Seq + 1
		}
	}
}

// warmUpNS: so much of a stream before a reading helps to tell when that was
// made, where its instrument tells its own time.
const warmUpNS = 60e9

// timed yields what readings does, each with the time at which it was made.
// What stands before and after helps to find that out.
func (i *instrument) timed(ctx context.Context, q querier, from, to int64) iter.Seq2[acquire.Timed, error] {
	return func(yield func(acquire.Timed, error) bool) {
		begin, end := from, to
		if i.ArrivalsKept {
			var err error
			if begin, end, err = around(ctx, q, i.stream, from, to); err != nil {
				yield(acquire.Timed{}, err)
				return
			}
		}
		for r, err := range i.Timed(readings(ctx, q, i.stream, begin, end)) {
			if err == nil && r.Seq < from {
				continue
			}
			if err == nil && r.Seq > to || !yield(r, err) {
				return
			}
		}
	}
}

// around widens a span by what its times depend on.
func around(ctx context.Context, q querier, stream, from, to int64) (begin, end int64, err error) {
	firstNS, found, err := timeAt(ctx, q, stream, from)
	if err != nil {
		return 0, 0, err
	}
	if found {
		begin, _, err = seqWhere(ctx, q, "stream = ? AND seq <= ? AND t_ns < ? ORDER BY seq DESC", stream, from, firstNS-warmUpNS)
		if err != nil {
			return 0, 0, err
		}
	}
	lastNS, found, err := timeAt(ctx, q, stream, to)
	if err != nil || !found || to == lastSeq {
		return begin, to, err
	}
	end, found, err = seqWhere(ctx, q, "stream = ? AND seq > ? AND t_ns > ? ORDER BY seq", stream, to, lastNS+acquire.TimedAheadNS)
	if !found {
		end = lastSeq
	}
	return begin, end, err
}

func readingChunk(ctx context.Context, q querier, stream, from, to int64) (list []acquire.Reading, err error) {
	rows, err := q.QueryContext(ctx, `SELECT seq, t_ns, burst, ticks, decimals, unit, raw FROM reading
		WHERE stream = ? AND seq BETWEEN ? AND ? ORDER BY seq LIMIT ?`, stream, from, to, chunk)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	list = make([]acquire.Reading, 0, min(chunk, max(0, to-from+1)))
	for rows.Next() {
		r := acquire.Reading{Stream: stream}
		if err := rows.Scan(&r.Seq, &r.AtNS, &r.Burst, &r.Ticks, &r.Decimals, &r.Unit, &r.Raw); err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, rows.Err()
}
