package store

import (
	"context"
	"errors"
	"io"

	"crownmark/acquire"
	"crownmark/fit"
)

type seams struct{}

// Store is an open store.
type Store struct{}

var errNotYet = errors.New("not yet")

func Open(ctx context.Context, o Options) (*Store, error) { return nil, errNotYet }
func (s *Store) Close() error                             { return errNotYet }
func (s *Store) Clock() func() int64                      { return func() int64 { return 0 } }
func (s *Store) Record(ctx context.Context, b acquire.Batch) (int64, error) {
	return 0, errNotYet
}
func (s *Store) OnCommit(f func(Commit)) {}
func (s *Store) Resume(ctx context.Context) (acquire.Resume, error) {
	return acquire.Resume{}, errNotYet
}
func (s *Store) Stats() Stats                                     { return Stats{} }
func (s *Store) Writable(ctx context.Context) error               { return errNotYet }
func (s *Store) Verify(ctx context.Context) (VerifyReport, error) { return VerifyReport{}, errNotYet }
func (s *Store) Backup(ctx context.Context, file string) error    { return errNotYet }
func (s *Store) CreateJob(ctx context.Context, n NewJob) (job Job, replayed bool, err error) {
	return Job{}, false, errNotYet
}
func (s *Store) UpdateJob(ctx context.Context, id int64, p JobPatch) (Job, error) {
	return Job{}, errNotYet
}
func (s *Store) Job(ctx context.Context, id int64) (Job, error) { return Job{}, errNotYet }
func (s *Store) Jobs(ctx context.Context, p Page) (jobs []Job, next *int64, err error) {
	return nil, nil, errNotYet
}
func (s *Store) Sweeps(ctx context.Context, job int64, p Page) (sweeps []Sweep, next *int64, err error) {
	return nil, nil, errNotYet
}
func (s *Store) Sweep(ctx context.Context, id int64) (Sweep, error) { return Sweep{}, errNotYet }
func (s *Store) SetAside(ctx context.Context, id int64, reason, actor string) (Sweep, error) {
	return Sweep{}, errNotYet
}
func (s *Store) Restore(ctx context.Context, id int64, actor string) (Sweep, error) {
	return Sweep{}, errNotYet
}
func (s *Store) Assign(ctx context.Context, id int64, cylinder int, actor string) (Sweep, error) {
	return Sweep{}, errNotYet
}
func (s *Store) Samples(ctx context.Context, sweep int64, f func(Sample) error) error {
	return errNotYet
}
func (s *Store) Input(ctx context.Context, job int64) (in fit.Input, revision string, err error) {
	return fit.Input{}, "", errNotYet
}
func (s *Store) Revision(ctx context.Context, job int64) (string, error)  { return "", errNotYet }
func (s *Store) Export(ctx context.Context, job int64, w io.Writer) error { return errNotYet }
func (s *Store) IssueReport(ctx context.Context, job int64, document []byte, actor string) (Report, error) {
	return Report{}, errNotYet
}
func (s *Store) Reports(ctx context.Context, job int64) ([]Report, error) { return nil, errNotYet }
