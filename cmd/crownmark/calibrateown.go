package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
	"crownmark/fit/pointcsv"
)

// ownStand is a calibration without a daemon: a bench of one indicator whose
// Recorder is the file.
type ownStand struct {
	calibrateCmd
	bench *acquire.Bench
	cfg   acquire.InstrumentConfig
	stop  context.CancelFunc
	ran   chan error

	mu     sync.Mutex
	kept   []ownPoint
	ledger int64
	warmC  any // as it was answered
}

// ownPoint is a point and the reading it stands on.
type ownPoint struct {
	calibrate.Point
	stream, seq int64
}

const ownCalibration = 1

// own opens the indicator's port; close it.
func (c calibrateCmd) own(std stdio) (*ownStand, error) {
	b, err := readBench(c.Config)
	if err != nil {
		return nil, err
	}
	all := b.config()
	i := slices.IndexFunc(all.Indicators, func(i acquire.InstrumentConfig) bool { return i.Name == c.Instrument || c.Instrument == "" })
	if i < 0 {
		return nil, fmt.Errorf("%s: it has no indicator %q; name one of its [[indicator]] tables", c.Config, c.Instrument)
	}
	s := &ownStand{calibrateCmd: c, cfg: all.Indicators[i], ran: make(chan error, 1)}
	cfg := acquire.Config{Name: "calibrate", Sweep: all.Sweep, Indicators: all.Indicators[i : i+1],
		Encoder: acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Format: acquire.FormatMarks, Direction: 1}}
	if s.bench, err = acquire.NewBench(cfg, s, acquire.Resume{}, acquire.Options{OnEvent: tellNotices(std.err)}); err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(context.Background()) // close ends it, with the last batch kept
	s.stop = stop
	go func() { s.ran <- s.bench.Run(ctx) }()
	return s, nil
}

func (s *ownStand) close() error {
	s.stop()
	return <-s.ran
}

func (s *ownStand) begin(ctx context.Context, conditions map[string]any) (string, error) {
	s.warmC = conditions["temperature_c"]
	scheme := s.Scheme
	if len(s.Points) > 0 {
		scheme = calibrate.SchemeOwn
	} else if scheme == "" {
		scheme = calibrate.SchemeISO13102
	}
	plan, err := calibrate.Plan(calibrate.PlanRequest{Scheme: scheme, RangeMM: s.RangeMM, ResolutionMM: s.cfg.ResolutionMM,
		LocalSpanMM: s.LocalSpan, Runs: s.Runs, Repeats: s.Repeats, PointsMM: s.Points})
	if err != nil {
		return "", fmt.Errorf("no points to take: %w; there is --range-mm, and --points", err)
	}
	w := acquire.BeginStand{Calibration: ownCalibration, Indicator: s.cfg.Name, SteadyS: s.SteadyS, Freely: s.Blocks}
	if s.Typed {
		w.Indicator, s.cfg = "", acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: acquire.PlainDial, Direction: 1}
	}
	if s.ByKey {
		w.Take = acquire.TakeCall
	}
	for _, t := range plan {
		w.Points = append(w.Points, acquire.StandPoint{Run: t.Run, Direction: string(t.Direction), ReferenceMM: t.ReferenceMM})
	}
	_, err = s.bench.BeginStand(ctx, w)
	return fmt.Sprintf("No crownmark run answers: indicator %s is read here, and kept in %s alone.", s.cfg.Name, s.Out), err
}

func (s *ownStand) now(context.Context) (standAnswer, error) {
	n := s.bench.Snapshot().Stand
	if n == nil {
		return standAnswer{}, errors.New("the calibration does not run any more")
	}
	return standAnswerOf(*n), nil
}

func (s *ownStand) take(ctx context.Context, reading string) error {
	_, err := s.bench.TakeStand(ctx, ownCalibration, reading)
	return err
}

func (s *ownStand) takeBack(ctx context.Context) error {
	_, err := s.bench.TakeBackStand(ctx, ownCalibration, "person")
	return err
}

func (s *ownStand) end(ctx context.Context) error {
	_, err := s.bench.EndStand(ctx, ownCalibration, "person")
	return err
}

func (s *ownStand) left() string { return s.Out }

func (s *ownStand) save(context.Context) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.kept) == 0 {
		return "nothing was taken", nil
	}
	warm := ""
	if v, ok := s.warmC.(*float64); ok && v != nil {
		warm = fmt.Sprintf(" --temperature-c %g", *v)
	}
	return fmt.Sprintf("%s: %s. Next: crownmark calibrate %s%s", s.Out, count(len(s.kept), "point"), s.Out, warm), nil
}

// Record keeps a batch's points: the file is written anew and is whole at every moment.
func (s *ownStand) Record(_ context.Context, b acquire.Batch) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	points := slices.Clone(s.kept)
	for _, p := range b.Points {
		for _, r := range b.Readings {
			if r.Stream == p.Stream && r.Seq == p.Seq {
				points = append(points, ownPoint{calibrate.Point{Run: p.Run, Direction: calibrate.Direction(p.Direction), ReferenceMM: p.ReferenceMM, ReadingMM: s.cfg.HeightMM(r)}, r.Stream, r.Seq})
			}
		}
	}
	for _, e := range b.Calibrated {
		points = slices.DeleteFunc(points, func(p ownPoint) bool {
			return e.Kind == acquire.CalibrationTakenBack && p.stream == e.Stream && p.seq == e.Seq
		})
	}
	if len(b.Points)+len(b.Calibrated) > 0 && len(points)+len(s.kept) > 0 {
		if err := writePoints(s.Out, points); err != nil {
			return 0, err
		}
	}
	s.kept = points
	s.ledger++
	return s.ledger, nil
}

func writePoints(path string, list []ownPoint) error {
	var points []calibrate.Point
	for _, p := range list {
		points = append(points, p.Point)
	}
	part := path + ".part"
	f, err := os.Create(part)
	if err != nil {
		return cannotWrite(path, err)
	}
	err = errors.Join(pointcsv.Write(f, points), f.Sync(), f.Close())
	if err == nil {
		err = errors.Join(os.Rename(part, path), syncFolder(filepath.Dir(path)))
	}
	if err != nil {
		return cannotWrite(path, err)
	}
	return nil
}
