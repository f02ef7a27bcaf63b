package dashboards

import (
	"context"
	"html/template"
	"net/http"
	"slices"

	"crownmark/acquire"
	"crownmark/dashboards/certificate"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

const jobsOffered = 30

// instrumentPage is one instrument of the register.
type instrumentPage struct {
	registered
	Form         recordForm
	Certificates []store.Certificate // newest first
	Runs         []store.Calibration // calibrations without a certificate yet, and a check that runs, newest first
	Shown        *store.Certificate  // whose errors are drawn
	Result       calibrate.Result
	Graph        template.HTML
	Chart        *checkChart
	Touched      store.Touched
	References   []registered // that a check can be made on
	Plugged      bool         // it is on the bench
	OfJobs       []store.Job  // that an encoder’s certificate can be made of, the latest first
	Simulated    bool
}

func (s *Server) instrumentPage(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	i, err := s.store.Instrument(r.Context(), id)
	if err != nil {
		return err
	}
	p, n := s.calPlotOf(r), s.bench.Snapshot()
	v := instrumentPage{registered: p.registered(i)}
	v.Form = p.recordForm(v.registered, n)
	v.Plugged = slices.ContainsFunc(pluggedIn(n), func(on acquire.InstrumentState) bool { return linked(i.Record, on) })
	if !i.Record.IsReference() {
		if err := s.ofInstrument(r, p, &v); err != nil {
			return err
		}
	}
	return s.render(w, r, http.StatusOK, "instrument", frame{Title: "Instrument", Of: i.Record.Name, Here: "register", Page: v, Simulated: v.Simulated})
}

// ofInstrument reads what was ever measured of an instrument.
func (s *Server) ofInstrument(r *http.Request, p calPlot, v *instrumentPage) (err error) {
	ctx := r.Context()
	if err := s.calibrationsOf(ctx, v); err != nil {
		return err
	}
	if err := s.drawLatest(r, p, v); err != nil {
		return err
	}
	if v.Record.Kind == store.RegisterEncoder && !v.Retired {
		jobs, err := s.allJobs(ctx)
		if err != nil {
			return err
		}
		slices.Reverse(jobs)
		v.OfJobs = jobs[:min(len(jobs), jobsOffered)]
	}
	checks, err := s.store.Checks(ctx, v.ID)
	if err != nil {
		return err
	}
	v.Chart = p.chartOf(checks, v.Record.ResolutionMM)
	v.LastCheck = lastCheck(checks)
	if v.Touched, err = s.store.Touched(ctx, v.ID); err != nil {
		return err
	}
	v.References, err = s.keptReferences(ctx, p)
	return err
}

// calibrationsOf reads certificates, and the runs of points without one, newest first.
func (s *Server) calibrationsOf(ctx context.Context, v *instrumentPage) (err error) {
	if v.Certificates, err = s.allCertificates(ctx, v.ID); err != nil {
		return err
	}
	slices.Reverse(v.Certificates)
	runs, err := s.allCalibrations(ctx, v.ID)
	if err != nil {
		return err
	}
	for _, c := range slices.Backward(runs) {
		v.Simulated = v.Simulated || c.Simulated
		certified := slices.ContainsFunc(v.Certificates, func(t store.Certificate) bool { return t.Calibration == c.ID })
		if c.Kind == store.KindCalibration && !certified || c.State == store.CalibrationRunning {
			v.Runs = append(v.Runs, c)
		}
	}
	return nil
}

// drawLatest draws the errors of the latest certificate of points.
func (s *Server) drawLatest(r *http.Request, p calPlot, v *instrumentPage) error {
	for _, c := range v.Certificates {
		if c.Calibration == 0 {
			continue
		}
		whole, err := s.store.Certificate(r.Context(), c.Number)
		if err != nil {
			return err
		}
		d, err := certificate.Read(whole)
		if err != nil {
			return err
		}
		v.Shown, v.Result = &c, readingsOf(d)
		v.Graph = p.errorGraph(v.Result)
		return nil
	}
	return nil
}

// Found are the characteristics of the certificate that is shown.
func (v instrumentPage) Found() []characteristic { return characteristicsOf(v.Result) }

// CanRun says that a run of points can be begun.
func (v instrumentPage) CanRun() bool {
	return v.Record.Kind == store.RegisterIndicator && !v.Retired
}

// CheckedOn is the block that was checked on last, mm; 0: none.
func (v instrumentPage) CheckedOn() float64 {
	if v.Chart == nil {
		return 0
	}
	return v.Chart.ReferenceMM
}
