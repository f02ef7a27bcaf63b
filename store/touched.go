package store

import (
	"context"
	"database/sql"
	"slices"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
)

// Touched is what an instrument that failed may have made wrong.
type Touched struct {
	Failed *Certificate // the certificate by which it failed, the last time that it did; nil: it never did, and nothing is touched
	Good   *Certificate // the last good one before; nil: none
	Jobs   []TouchedJob // by id
}

// TouchedJob is a job with sweeps that were made with it.
type TouchedJob struct {
	ID          int64
	Name        string
	Sweeps      []int64 // by id; those set aside since, too: a report may have had them
	Cylinders   []int
	Reports     []int64 // numbers of the reports issued after the first of these sweeps
	First, Last time.Time
}

// Touched finds the jobs and reports whose sweeps were made with an instrument
// since its last good certificate, if a later one failed; also those made
// between failing and the next good one. Errors: ErrNotFound.
func (s *Store) Touched(ctx context.Context, instrument int64) (t Touched, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		if _, err := loadRegistered(ctx, tx, instrument); err != nil {
			return err
		}
		r, err := loadRegister(ctx, tx)
		if err != nil {
			return err
		}
		e := r.list[slices.IndexFunc(r.list, func(e *entry) bool { return e.id == instrument })]
		list, err := r.certificates(e)
		if err != nil {
			return err
		}
		if t.Good, t.Failed = lastFailure(list); t.Failed == nil {
			return nil
		}
		t.Jobs, err = s.touchedJobs(ctx, tx, r, e, t)
		return err
	})
	return t, err
}

// lastFailure is the first certificate of the last run of failed ones, and the
// good one before it.
func lastFailure(list []issued) (good, failed *Certificate) {
	for i := range list {
		bad := !list[i].Good()
		if bad && (i == 0 || list[i-1].Good()) {
			failed, good = &list[i].Certificate, nil
			if i > 0 {
				good = &list[i-1].Certificate
			}
		}
	}
	return good, failed
}

func (s *Store) touchedJobs(ctx context.Context, q querier, r *register, e *entry, t Touched) (jobs []TouchedJob, err error) {
	from := int64(0)
	if t.Good != nil {
		from = t.Good.ledger
	}
	spans, err := collect(ctx, q, scanSpan, spanQuery+"WHERE w.ledger > ? ORDER BY w.job, w.id", from)
	if err != nil {
		return nil, err
	}
	first := map[int64]int64{} // by job: the ledger of the first sweep
	for _, w := range spans {
		doubted, err := r.doubts(e, w)
		if err != nil {
			return nil, err
		}
		if !doubted {
			continue
		}
		if n := len(jobs); n == 0 || jobs[n-1].ID != w.Job {
			jobs = append(jobs, TouchedJob{ID: w.Job, First: w.StartedAt})
			first[w.Job] = w.ledger
		}
		j := &jobs[len(jobs)-1]
		j.Sweeps, j.Last = append(j.Sweeps, w.ID), w.StartedAt
		if !slices.Contains(j.Cylinders, w.Cylinder) {
			j.Cylinders = append(j.Cylinders, w.Cylinder)
		}
	}
	for i := range jobs {
		if err := jobs[i].fill(ctx, q, first[jobs[i].ID]); err != nil {
			return nil, err
		}
	}
	return jobs, nil
}

// doubts says whether a sweep was made with the instrument when it had failed, or
// was found to have failed afterwards.
func (r *register) doubts(e *entry, w span) (bool, error) {
	kind, identity, name := acquire.KindIndicator, w.identity, w.Indicator
	if e.kind() == RegisterEncoder && w.AngleUDeg == 0 {
		kind, identity, name = acquire.KindEncoder, w.encIdentity, w.encName
	}
	if made, _ := r.of(kind, identity, name, w.ledger); made != e {
		return false, nil
	}
	u, err := r.use(e, w.ledger, w.StartedAt, w.Simulated)
	return u.state == fit.CalibrationDoubted || u.state == fit.CalibrationFailed, err
}

// fill finds the job's name and the reports issued after the commit ledger.
func (j *TouchedJob) fill(ctx context.Context, q querier, ledger int64) error {
	job, err := loadJob(ctx, q, j.ID)
	if err != nil {
		return err
	}
	slices.Sort(j.Cylinders)
	j.Name = job.Name
	j.Reports, err = collect(ctx, q, func(row scanner) (n int64, err error) { return n, row.Scan(&n) },
		"SELECT number FROM report WHERE job = ? AND ledger > ? ORDER BY number", j.ID, ledger)
	return err
}
