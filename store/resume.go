package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"crownmark/acquire"
)

// Resume tells the bench what was there before: the ids and numbers to go on
// from, each encoder's last count, and the selection unless its job was closed.
func (s *Store) Resume(ctx context.Context) (r acquire.Resume, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, `SELECT coalesce((SELECT max(id) FROM stream), 0), coalesce((SELECT max(id) FROM sweep), 0),
			coalesce((SELECT max(id) FROM datum), 0),
			coalesce((SELECT max(number) FROM datum WHERE kind = 'mount'), 0),
			coalesce((SELECT max(number) FROM datum WHERE kind = 'setup'), 0),
			coalesce((SELECT max(number) FROM datum WHERE kind = 'zeroing'), 0)`).
			Scan(&r.LastStream, &r.LastSweep, &r.LastDatum, &r.LastMount, &r.LastSetup, &r.LastZeroing)
		if err != nil {
			return err
		}
		if r.LastCount, err = lastCounts(ctx, tx); err != nil {
			return err
		}
		if r.HandMounts, err = handMounts(ctx, tx); err != nil {
			return err
		}
		r.Selection, err = lastSelection(ctx, tx)
		return err
	})
	if err != nil {
		return acquire.Resume{}, fmt.Errorf("resume: %w", err)
	}
	return r, nil
}

func lastCounts(ctx context.Context, tx *sql.Tx) (map[string]int64, error) {
	type count struct {
		name  string
		ticks int64
	}
	list, err := collect(ctx, tx, func(row scanner) (c count, err error) { return c, row.Scan(&c.name, &c.ticks) },
		`SELECT n.name, (SELECT ticks FROM reading WHERE stream = n.last ORDER BY seq DESC LIMIT 1) FROM
			(SELECT name, max(id) AS last FROM stream t WHERE kind = 'encoder'
				AND EXISTS (SELECT 1 FROM reading WHERE stream = t.id) GROUP BY name) n`)
	counts := map[string]int64{}
	for _, c := range list {
		counts[c.name] = c.ticks
	}
	return counts, err
}

func lastSelection(ctx context.Context, tx *sql.Tx) (*acquire.Selection, error) {
	var job sql.NullInt64
	var cylinders string
	sel := acquire.Selection{}
	err := tx.QueryRowContext(ctx, "SELECT job, cylinders_json, t_ns, actor FROM selection ORDER BY id DESC LIMIT 1").
		Scan(&job, &cylinders, &sel.AtNS, &sel.Actor)
	if errors.Is(err, sql.ErrNoRows) || err == nil && !job.Valid {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	state, err := jobState(tx, job.Int64)
	if err != nil || state == JobClosed {
		return nil, err
	}
	sel.Job = job.Int64
	if err := json.Unmarshal([]byte(cylinders), &sel.Cylinders); err != nil {
		return nil, fmt.Errorf("the kept selection cannot be read; run `crownmark verify`: %w", err)
	}
	return &sel, nil
}

// handMounts is, by job, the mount of the degree marks that were read last.
func handMounts(ctx context.Context, tx *sql.Tx) (map[int64]int, error) {
	type mount struct {
		job    int64
		number int
	}
	list, err := collect(ctx, tx, func(row scanner) (m mount, err error) { return m, row.Scan(&m.job, &m.number) },
		`SELECT w.job, d.number FROM sweep w JOIN stream k ON k.id = w.enc_stream
			JOIN datum d ON d.stream = k.id AND d.kind = 'mount'
			WHERE json_extract(k.config_json, '$.angle_u_deg') > 0 ORDER BY w.id`)
	mounts := map[int64]int{}
	for _, m := range list {
		mounts[m.job] = m.number
	}
	return mounts, err
}
