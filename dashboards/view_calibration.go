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

// calibrationView is one calibration or check: while it is made the next target,
// then what was found.
type calibrationView struct {
	store.Calibration
	say         sayer
	Of          registered
	Against     *registered
	Stand       *acquire.StandState // nil: the bench does not lead through it
	Typed       bool                // its readings are typed
	Certificate int64               // that was issued of it; 0: none
	Result      *calibrate.Result   // nil: not evaluated
	Why         string              // why not
	Graph       template.HTML
	Errors      []calibrate.Row // of the points that count
}

func (s *Server) calibrationPage(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	v, err := s.calibrationView(r.Context(), s.calPlotOf(r), id)
	if err != nil {
		return err
	}
	title := "Calibration"
	if v.Check() {
		title = "Check"
	}
	return s.render(w, r, http.StatusOK, "calibration", frame{Title: title, Of: v.Of.Record.Name, Here: "register", Page: v, Simulated: v.Simulated})
}

func (s *Server) calibrationView(ctx context.Context, p calPlot, id int64) (v calibrationView, err error) {
	v.say = p.say
	if v.Calibration, err = s.store.Calibration(ctx, id); err != nil {
		return v, err
	}
	i, err := s.store.Instrument(ctx, v.Instrument)
	if err != nil {
		return v, err
	}
	v.Of = p.registered(i)
	if v.Reference != 0 {
		o, err := s.store.Instrument(ctx, v.Reference)
		if err != nil {
			return v, err
		}
		v.Against = new(p.registered(o))
	}
	v.onBench(s.bench.Snapshot())
	if !v.Guided() && !v.Check() {
		if err := s.found(ctx, &v); err != nil {
			return v, err
		}
	}
	v.draw(p)
	return v, nil
}

// onBench looks whether the bench leads through it.
func (v *calibrationView) onBench(n acquire.Snapshot) {
	if n.Stand == nil || n.Stand.Calibration != v.ID || v.State != store.CalibrationRunning {
		return
	}
	v.Stand, v.Typed = n.Stand, true
	for _, i := range n.Indicators {
		if i.Name == n.Stand.Indicator {
			v.Typed = i.Config.ByEye() || i.Status == acquire.StatusByEye
		}
	}
}

// found evaluates what was read, and looks whether a certificate was issued of it.
func (s *Server) found(ctx context.Context, v *calibrationView) error {
	issued, err := s.allCertificates(ctx, v.Instrument)
	if err != nil {
		return err
	}
	for _, c := range issued {
		if c.Calibration == v.ID {
			v.Certificate = c.Number
			return s.frozen(ctx, v)
		}
	}
	st, err := s.store.CalibrationStanding(ctx, v.ID, 0)
	if err != nil {
		return err
	}
	points := st.Calibration.Counted()
	if len(points) == 0 {
		v.Why = "No point of it counts."
		return nil
	}
	result, err := s.evaluate(points, certificate.Options(st))
	if err != nil {
		v.Why = err.Error()
		return nil
	}
	v.Result = &result
	return nil
}

// frozen takes what was found from the certificate.
func (s *Server) frozen(ctx context.Context, v *calibrationView) error {
	issued, err := s.store.Certificate(ctx, v.Certificate)
	if err != nil {
		return err
	}
	d, err := certificate.Read(issued)
	v.Result = d.Result
	return err
}

// draw draws the errors: as they were found, or as they come in.
func (v *calibrationView) draw(p calPlot) {
	for _, c := range v.Counted() {
		v.Errors = append(v.Errors, calibrate.Row{Run: c.Run, Direction: c.Direction, ReferenceMM: c.ReferenceMM, ReadingMM: c.ReadingMM, ErrorMM: c.ReadingMM - c.ReferenceMM})
	}
	switch {
	case v.Result != nil:
		v.Graph = p.errorGraph(*v.Result)
	case len(v.Errors) > 1:
		v.Graph = p.errorGraph(calibrate.Result{Points: v.Errors, Limits: v.Of.Record.LimitsMM})
	}
}

// Guided says that the bench leads through it now.
func (v calibrationView) Guided() bool { return v.Stand != nil }

// Check says that it is one reading between two calibrations.
func (v calibrationView) Check() bool { return v.Kind == store.KindCheck }

// Found are the characteristics.
func (v calibrationView) Found() []characteristic {
	if v.Result == nil {
		return nil
	}
	return characteristicsOf(*v.Result)
}

// Warnings are the evaluation's.
func (v calibrationView) Warnings() []string {
	if v.Result == nil {
		return nil
	}
	return v.Result.Warnings
}

const latestShown = 12 // while more come in

// Latest are the points, the latest first; while more come in the last dozen.
func (v calibrationView) Latest() (rows []store.CalibrationPoint) {
	for _, p := range slices.Backward(v.Points) {
		if v.Guided() && len(rows) == latestShown {
			break
		}
		rows = append(rows, p)
	}
	return rows
}

// LastPoint is the last that counts; nil: none.
func (v calibrationView) LastPoint() *calibrate.Row {
	if len(v.Errors) == 0 {
		return nil
	}
	return &v.Errors[len(v.Errors)-1]
}

// Script is what the page's script needs, as JSON.
func (v calibrationView) Script() (string, error) {
	d := map[string]any{"calibration": v.ID, "reference": "", "runs": 1, "typed": v.Typed, "check": v.Check()}
	if v.Against != nil {
		d["reference"] = v.Against.Record.Kind
	}
	for _, p := range v.Plan.Points {
		d["runs"] = max(d["runs"].(int), p.Run)
	}
	if v.Stand != nil {
		stand := standOf(*v.Stand)
		d["stand"] = stand
		if told := stand.in(func(text string) string { return v.say(text) }); told != nil {
			d["stand"] = told
		}
	}
	return toJSON(d)
}
