// Package dashboards is what people and machines look at: the pages, the API,
// the live stream, the plots and the metrics. It reads the bench and the store
// and never touches a port.
package dashboards

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"crownmark/acquire"
	"crownmark/dashboards/certificate"
	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/fit/engine"
	"crownmark/store"
)

// Bench is the running bench as the pages and the API need it. *acquire.Bench
// satisfies it.
type Bench interface {
	Snapshot() acquire.Snapshot
	Stats() acquire.Stats
	Select(ctx context.Context, s acquire.Selection) error
	Mark(ctx context.Context, job int64, markDeg float64) (acquire.MarkPress, error)
	Direction(ctx context.Context, job int64) (acquire.DirectionConfirmed, error)
	Zero(ctx context.Context, indicator, on string) (acquire.Datum, error)
	Remount(ctx context.Context, turnedDeg *float64) (acquire.Datum, error)
	BeginHand(ctx context.Context, w acquire.BeginHand) (acquire.HandSweep, error)
	ReadHand(ctx context.Context, sweep int64, mark, height string) (acquire.HandSweep, error)
	TakeBackHand(ctx context.Context, sweep int64) (acquire.HandSweep, error)
	EndHand(ctx context.Context, sweep int64) (acquire.HandSweep, error)
	BeginStand(ctx context.Context, w acquire.BeginStand) (acquire.StandState, error)
	TakeStand(ctx context.Context, calibration int64, text string) (acquire.StandState, error)
	TakeBackStand(ctx context.Context, calibration int64, actor string) (acquire.StandState, error)
	EndStand(ctx context.Context, calibration int64, actor string) (acquire.StandState, error)
}

// Store is what is kept, as the pages and the API need it. *store.Store
// satisfies it.
type Store interface {
	CreateJob(ctx context.Context, n store.NewJob) (job store.Job, replayed bool, err error)
	UpdateJob(ctx context.Context, id int64, p store.JobPatch) (store.Job, error)
	Job(ctx context.Context, id int64) (store.Job, error)
	Jobs(ctx context.Context, p store.Page) (jobs []store.Job, next *int64, err error)
	AcknowledgeCautions(ctx context.Context, job int64, actor string) (store.Job, error)
	AddEngine(ctx context.Context, e engine.Engine, actor, idempotencyKey string) (added store.LibraryEngine, replayed bool, err error)
	UpdateEngine(ctx context.Context, id int64, p store.LibraryPatch) (store.LibraryEngine, error)
	LibraryEngine(ctx context.Context, id int64) (store.LibraryEngine, error)
	LibraryEngines(ctx context.Context, p store.Page) (engines []store.LibraryEngine, next *int64, err error)
	Sweeps(ctx context.Context, job int64, p store.Page) (sweeps []store.Sweep, next *int64, err error)
	Sweep(ctx context.Context, id int64) (store.Sweep, error)
	SetAside(ctx context.Context, id int64, reason, actor string) (store.Sweep, error)
	Restore(ctx context.Context, id int64, actor string) (store.Sweep, error)
	Assign(ctx context.Context, id int64, cylinder int, actor string) (store.Sweep, error)
	Marks(ctx context.Context, job int64, p store.Page) (marks []store.Mark, next *int64, err error)
	Mark(ctx context.Context, id int64) (store.Mark, error)
	MarkOf(ctx context.Context, p acquire.MarkPress) (store.Mark, error)
	SetMarkAside(ctx context.Context, id int64, reason, actor string) (store.Mark, error)
	RestoreMark(ctx context.Context, id int64, actor string) (store.Mark, error)
	HandReadings(ctx context.Context, sweep int64) (store.Sweep, []store.HandReading, error)
	Samples(ctx context.Context, sweep int64, f func(store.Sample) error) error
	Input(ctx context.Context, job int64) (in fit.Input, revision string, err error)
	Revision(ctx context.Context, job int64) (string, error)
	Export(ctx context.Context, job int64, w io.Writer) error
	Standing(ctx context.Context, job, ledger int64) (store.Standing, error)
	IssueReport(ctx context.Context, job int64, actor string, write func(number int64, at time.Time) ([]byte, error)) (store.Report, error)
	Report(ctx context.Context, number int64) (store.Report, error)
	Reports(ctx context.Context, job int64, p store.Page) (reports []store.Report, next *int64, err error)
	AddInstrument(ctx context.Context, r store.InstrumentRecord, actor, idempotencyKey string) (added store.Instrument, replayed bool, err error)
	UpdateInstrument(ctx context.Context, id int64, p store.InstrumentPatch) (store.Instrument, error)
	Instrument(ctx context.Context, id int64) (store.Instrument, error)
	Instruments(ctx context.Context, p store.Page) (list []store.Instrument, next *int64, err error)
	Registered(ctx context.Context) ([]store.Instrument, error)
	CreateCalibration(ctx context.Context, n store.NewCalibration) (c store.Calibration, replayed bool, err error)
	Calibration(ctx context.Context, id int64) (store.Calibration, error)
	CalibrationStanding(ctx context.Context, id, ledger int64) (store.CalibrationStanding, error)
	EncoderStanding(ctx context.Context, instrument, job, ledger int64) (store.EncoderStanding, error)
	Calibrations(ctx context.Context, instrument int64, p store.Page) (list []store.Calibration, next *int64, err error)
	EndCalibration(ctx context.Context, id int64, cause, actor string) (store.Calibration, error)
	IssueCertificate(ctx context.Context, n store.NewCertificate, write func(number, version int64, at time.Time) ([]byte, error)) (c store.Certificate, replayed bool, err error)
	Certificate(ctx context.Context, number int64) (store.Certificate, error)
	Certificates(ctx context.Context, instrument int64, p store.Page) (list []store.Certificate, next *int64, err error)
	Checks(ctx context.Context, instrument int64) ([]store.Check, error)
	Touched(ctx context.Context, instrument int64) (store.Touched, error)
	Stats() store.Stats
	Writable(ctx context.Context) error
}

// Options are what a Server needs. Registry, Logger, Solve and Evaluate may
// be nil: a new registry, no log, fit.Solve, calibrate.Evaluate.
type Options struct {
	Store     Store
	Bench     Bench
	Registry  *prometheus.Registry
	Software  string // name and version of this program
	Simulated bool   // the instruments are a virtual bench
	Logger    *slog.Logger
	Solve     func(fit.Input) (fit.Index, error)
	Evaluate  certificate.Evaluator
}

// Server serves the pages, the API and the metrics.
type Server struct {
	store     Store
	bench     Bench
	software  string
	simulated bool
	log       *slog.Logger
	evaluate  certificate.Evaluator

	hub     *hub
	metrics *metrics
	solver  *solver
	sets    *setFits
	once    *once
	pages   *pages
	handler http.Handler
}

// New prepares a Server; nothing runs yet.
func New(o Options) (*Server, error) {
	if o.Store == nil || o.Bench == nil {
		return nil, errors.New("dashboards: a store and a bench are needed")
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Registry == nil {
		o.Registry = prometheus.NewRegistry()
	}
	if o.Solve == nil {
		o.Solve = fit.Solve
	}
	if o.Evaluate == nil {
		o.Evaluate = calibrate.Evaluate
	}
	boot := make([]byte, 4)
	rand.Read(boot) // never fails
	s := &Server{store: o.Store, bench: o.Bench, software: o.Software, simulated: o.Simulated, log: o.Logger, evaluate: o.Evaluate,
		hub: newHub(hex.EncodeToString(boot)), once: newOnce(), sets: newSetFits()}
	var err error
	if s.metrics, err = newMetrics(o, s.hub); err != nil {
		return nil, fmt.Errorf("dashboards: metrics: %w", err)
	}
	if s.pages, err = newPages(); err != nil {
		return nil, fmt.Errorf("dashboards: pages: %w", err)
	}
	s.hub.say = func(lang, text string) string { return s.pages.texts.say(lang, text) }
	s.solver = newSolver(o.Store, o.Solve, s.metrics, o.Logger, o.Software)
	s.handler = s.guard(s.mux())
	return s, nil
}

// Handler is everything this package serves.
func (s *Server) Handler() http.Handler { return s.handler }

// Committed notes a commit that reached the disk. It does not block.
func (s *Server) Committed(c store.Commit) {
	s.hub.committed(c.Ledger)
	s.metrics.committed(c)
}

const maxConnections = 200 // serial ports need file descriptors below 1024

// Serve answers on l until ctx is done, then lets running requests finish for
// up to five seconds. It closes l. Only a loopback listener is accepted.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	if err := CheckListen(l.Addr().String()); err != nil {
		return errors.Join(err, l.Close())
	}
	base, leave := context.WithCancel(context.WithoutCancel(ctx))
	defer leave()
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
		BaseContext:       func(net.Listener) context.Context { return base },
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
	srv.RegisterOnShutdown(leave) // live streams never end by themselves
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(limit(l, maxConnections)) }()
	select {
	case err := <-ended:
		return fmt.Errorf("http: %w", err)
	case <-ctx.Done():
	}
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	err := srv.Shutdown(grace)
	if err != nil {
		err = errors.Join(fmt.Errorf("http: %w", err), srv.Close())
	}
	<-ended
	return err
}
