package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

// beginDoc is what POST /api/v1/calibrations takes.
type beginDoc struct {
	Instrument  int64                       `json:"instrument"`
	Reference   int64                       `json:"reference"`
	Kind        string                      `json:"kind"`
	Scheme      string                      `json:"scheme"`
	PointsMM    []float64                   `json:"points_mm"`
	Points      []store.PlanPoint           `json:"points"`
	Runs        int                         `json:"runs"`
	Repeats     int                         `json:"repeats"`
	RangeMM     float64                     `json:"range_mm"`
	LocalSpanMM float64                     `json:"local_span_mm"`
	SteadyS     float64                     `json:"steady_s"`
	WithinMM    float64                     `json:"within_mm"`
	ByKey       bool                        `json:"by_key"`
	Take        string                      `json:"take"`
	Indicator   *string                     `json:"indicator"`
	Conditions  store.CalibrationConditions `json:"conditions"`
}

// postCalibration begins a calibration or a check, and has the bench lead through it.
func (s *Server) postCalibration(w http.ResponseWriter, r *http.Request) error {
	var in beginDoc
	return s.post(w, r, &in, func() (string, any, error) {
		n, reference, err := s.newCalibration(r.Context(), in)
		if err != nil {
			return "", nil, err
		}
		n.Actor, n.IdempotencyKey = actor(r), r.Header.Get("Idempotency-Key")
		cal, replayed, err := s.store.CreateCalibration(r.Context(), n)
		if err != nil {
			return "", nil, err
		}
		if cal.State != store.CalibrationEnded {
			err = s.lead(r, cal, reference, in.Indicator, replayed)
		}
		if err != nil && !replayed { // nothing came of it
			_, ended := s.store.EndCalibration(context.WithoutCancel(r.Context()), cal.ID, "not begun", actor(r))
			err = errors.Join(err, ended)
		}
		return s.calibrationAnswer(r, cal.ID, err)
	})
}

// newCalibration is what is kept of the request, and the reference's record.
func (s *Server) newCalibration(ctx context.Context, in beginDoc) (n store.NewCalibration, reference store.InstrumentRecord, err error) {
	i, err := s.named(ctx, "/instrument", in.Instrument)
	if err != nil {
		return n, reference, err
	}
	if in.Reference != 0 {
		against, err := s.named(ctx, "/reference", in.Reference)
		if err != nil {
			return n, reference, err
		}
		reference = against.Record
	}
	switch {
	case in.Kind == "":
		in.Kind = store.KindCalibration
	case in.Kind != store.KindCalibration && in.Kind != store.KindCheck:
		return n, reference, invalid(Fault{"/kind", fmt.Sprintf("there is no kind %q", in.Kind), "send calibration or check"})
	}
	if problems := in.Conditions.Problems(); len(problems) > 0 {
		return n, reference, recordFaults("/conditions", problems)
	}
	n = store.NewCalibration{Instrument: in.Instrument, Reference: in.Reference, Kind: in.Kind, Conditions: in.Conditions}
	if n.Plan, err = planOf(in, i.Record); err != nil {
		return n, reference, err
	}
	if b := s.bench.Snapshot().Stand; b != nil {
		return n, reference, newProblem(http.StatusConflict, "stand-busy", "Another calibration runs",
			fmt.Sprintf("calibration %d runs on indicator %s", b.Calibration, b.Indicator), fmt.Sprintf("end it first, on its page /calibrations/%d or by POST /api/v1/calibrations/%d/end", b.Calibration, b.Calibration))
	}
	return n, reference, nil
}

// named is an instrument of the register that a body names.
func (s *Server) named(ctx context.Context, pointer string, id int64) (store.Instrument, error) {
	if id <= 0 {
		return store.Instrument{}, invalid(Fault{pointer, "no instrument is named", "send its id in the register, see /api/v1/instruments"})
	}
	i, err := s.store.Instrument(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		err = invalid(Fault{pointer, fmt.Sprintf("the register has no instrument %d", id), "see /api/v1/instruments"})
	}
	return i, err
}

// planOf is the points as they will be taken.
func planOf(in beginDoc, record store.InstrumentRecord) (p store.CalibrationPlan, err error) {
	p = store.CalibrationPlan{Scheme: in.Scheme, Points: in.Points, SteadyS: in.SteadyS, WithinMM: in.WithinMM, ByKey: in.ByKey, Take: in.Take, LocalSpanMM: in.LocalSpanMM}
	if p.SteadyS == 0 {
		p.SteadyS = acquire.UsualSteadyS
	}
	if p.ByKey && p.Take == "" {
		p.Take = acquire.TakeCall
	}
	p.ByKey = p.Take == acquire.TakeCall
	switch {
	case len(p.Points) > 0:
		p.Scheme = calibrate.SchemeOwn
	case in.Kind == store.KindCheck:
		p.Scheme, p.Points = calibrate.SchemeOwn, checkPoints(in.PointsMM, in.Repeats)
	default:
		p.Scheme, p.Points, err = schemePoints(in, record)
	}
	if err == nil && len(p.Points) == 0 {
		err = invalid(Fault{"/points_mm", "no point is named", "send the lengths to be read, in mm"})
	}
	return p, err
}

// checkPoints are the points of a check: each length as often as asked, once if
// nobody asked.
func checkPoints(places []float64, times int) (points []store.PlanPoint) {
	for _, mm := range places {
		for i := range max(1, times) {
			direction := calibrate.Up
			if i > 0 {
				direction = calibrate.Repeat
			}
			points = append(points, store.PlanPoint{Run: 1, Direction: direction, ReferenceMM: mm})
		}
	}
	return points
}

// schemePoints are the points of a scheme over the indicator's range.
func schemePoints(in beginDoc, record store.InstrumentRecord) (scheme string, points []store.PlanPoint, err error) {
	scheme = in.Scheme
	switch {
	case scheme == "" && len(in.PointsMM) > 0:
		scheme = calibrate.SchemeOwn
	case scheme == "":
		scheme = record.Scheme
	}
	if scheme == "" {
		scheme = calibrate.SchemeISO13102
	}
	range_ := in.RangeMM
	if range_ == 0 {
		range_ = record.RangeMM
	}
	plan, err := calibrate.Plan(calibrate.PlanRequest{Scheme: scheme, RangeMM: range_, ResolutionMM: record.ResolutionMM,
		LocalSpanMM: in.LocalSpanMM, Runs: in.Runs, Repeats: in.Repeats, PointsMM: in.PointsMM})
	if err != nil {
		return scheme, nil, invalid(Fault{"/scheme", err.Error(), "correct the scheme, its points or the indicator's record"})
	}
	for _, t := range plan {
		points = append(points, store.PlanPoint(t))
	}
	return scheme, points, nil
}

// lead has the bench lead through a calibration, behind the points that count.
func (s *Server) lead(r *http.Request, cal store.Calibration, reference store.InstrumentRecord, named *string, again bool) error {
	i, err := s.store.Instrument(r.Context(), cal.Instrument)
	if err != nil {
		return err
	}
	w := acquire.BeginStand{Calibration: cal.ID, Take: cal.Plan.Take, SteadyS: cal.Plan.SteadyS, WithinMM: cal.Plan.WithinMM,
		Freely: reference.Kind == store.RegisterBlocks, Again: again, Actor: actor(r)}
	if named != nil {
		w.Indicator = *named
	} else if w.Indicator, err = s.plugged(i.Record); err != nil {
		return err
	}
	for _, p := range cal.Plan.Points {
		w.Points = append(w.Points, acquire.StandPoint{Run: p.Run, Direction: string(p.Direction), ReferenceMM: p.ReferenceMM})
	}
	for _, p := range cal.Points {
		if !p.TakenBack {
			w.Taken = append(w.Taken, acquire.StandTaken{StandPoint: acquire.StandPoint{Run: p.Run, Direction: string(p.Direction), ReferenceMM: p.ReferenceMM},
				ReadingMM: p.ReadingMM, Stream: p.Stream, Seq: p.Seq})
		}
	}
	_, err = s.bench.BeginStand(r.Context(), w)
	return standFault(err)
}

// plugged is the bench's name of an instrument of the register; "": it is not on
// the bench, and its readings are typed.
func (s *Server) plugged(record store.InstrumentRecord) (string, error) {
	all := s.bench.Snapshot().Indicators
	for _, i := range all {
		if record.Identity != "" && i.Identity == record.Identity {
			return i.Name, nil
		}
	}
	for _, i := range all {
		if record.BenchName == "" || i.Name != record.BenchName {
			continue
		}
		if i.Identity != "" && record.Identity != "" {
			return "", newProblem(http.StatusConflict, "other-instrument", "Another instrument is plugged in",
				fmt.Sprintf("%q is plugged in as indicator %s, and the register's %q is %q", i.Identity, i.Name, record.Name, record.Identity),
				"plug the right one in, or correct its identity in the register")
		}
		return i.Name, nil
	}
	return "", nil
}

// standFault points at what of the body cannot be so, and says why a point was
// not taken.
func standFault(err error) error {
	if m, ok := errors.AsType[*acquire.Misread](err); ok {
		return invalid(Fault{"/" + m.Of, m.Detail, m.Fix})
	}
	if why, ok := errors.AsType[*acquire.StandRefusal](err); ok {
		return newProblem(http.StatusConflict, "not-taken-"+strings.ReplaceAll(why.Reason, "_", "-"), "The point is not taken", why.Detail, why.Fix)
	}
	if errors.Is(err, acquire.ErrUnsteady) {
		return newProblem(http.StatusConflict, "unsteady", "The display does not stand still", err.Error(), "keep the reference still and send it again, or send the reading")
	}
	return err
}
