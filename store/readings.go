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
