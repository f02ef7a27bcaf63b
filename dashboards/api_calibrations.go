package dashboards

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"crownmark/dashboards/certificate"
	"crownmark/fit/calibrate"
	"crownmark/fit/pointcsv"
	"crownmark/store"
)

// calibrationDoc is a calibration or a check; in a list without its points.
type calibrationDoc struct {
	ID         int64                       `json:"id"`
	Instrument int64                       `json:"instrument"`
	Reference  *int64                      `json:"reference"` // null: nobody said
	Kind       string                      `json:"kind"`
	State      string                      `json:"state"`
	Cause      string                      `json:"cause"`
	Plan       store.CalibrationPlan       `json:"plan"`
	Conditions store.CalibrationConditions `json:"conditions"`
	Simulated  bool                        `json:"simulated"`
	Actor      string                      `json:"actor"`
	CreatedAt  time.Time                   `json:"created_at"`
	EndedAt    *time.Time                  `json:"ended_at"`
	Points     []certificate.Point         `json:"points"` // null in a list
	Stand      *standDoc                   `json:"stand"`  // null: the bench does not lead through it now
}

func calibrationOf(c store.Calibration) calibrationDoc {
	d := calibrationDoc{ID: c.ID, Instrument: c.Instrument, Reference: positive(c.Reference), Kind: c.Kind, State: c.State, Cause: c.Cause,
		Plan: c.Plan, Conditions: c.Conditions, Simulated: c.Simulated, Actor: c.Actor, CreatedAt: c.CreatedAt, EndedAt: c.EndedAt}
	if d.Plan.Points == nil {
		d.Plan.Points = []store.PlanPoint{}
	}
	return d
}

func wholeCalibrationOf(c store.Calibration) calibrationDoc {
	d := calibrationOf(c)
	d.Points = certificate.PointsOf(c)
	return d
}

func (s *Server) getCalibrations(w http.ResponseWriter, r *http.Request) error {
	return listUnder(w, r, s.store.Calibrations, calibrationOf)
}

func (s *Server) pathCalibration(r *http.Request) (store.Calibration, error) {
	id, err := pathID(r)
	if err != nil {
		return store.Calibration{}, err
	}
	return s.store.Calibration(r.Context(), id)
}

func (s *Server) getCalibration(w http.ResponseWriter, r *http.Request) error {
	c, err := s.pathCalibration(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, s.runOf(c))
}

// getPointsCSV is the points that count as `crownmark calibrate` reads them.
func (s *Server) getPointsCSV(w http.ResponseWriter, r *http.Request) error {
	c, err := s.pathCalibration(r)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="calibration-`+strconv.FormatInt(c.ID, 10)+`.csv"`)
	w.Header().Set("Cache-Control", "no-store")
	return pointcsv.Write(w, c.Counted())
}

// getResult evaluates the points as they stand now.
func (s *Server) getResult(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	st, err := s.store.CalibrationStanding(r.Context(), id, 0)
	if err != nil {
		return err
	}
	points := st.Calibration.Counted()
	if len(points) == 0 {
		return newProblem(http.StatusConflict, "no-points", "There is nothing to evaluate yet", "no point of it counts", "take some points first")
	}
	result, err := s.evaluate(points, certificate.Options(st))
	if err != nil {
		return newProblem(http.StatusConflict, "not-evaluable", "These points cannot be evaluated yet", err.Error(), "take the points that are missing")
	}
	return writeJSON(w, http.StatusOK, result)
}

// checkDoc is one point of a check between two calibrations.
type checkDoc struct {
	Calibration int64     `json:"calibration"`
	Reference   *int64    `json:"reference"`
	ReferenceMM float64   `json:"reference_mm"`
	ReadingMM   float64   `json:"reading_mm"`
	DeviationMM float64   `json:"deviation_mm"` // reading − reference
	Raw         string    `json:"raw"`
	MeasuredBy  string    `json:"measured_by"`
	Simulated   bool      `json:"simulated"`
	At          time.Time `json:"at"`
}

type checksDoc struct {
	Items  []checkDoc  `json:"items"`
	Charts []checkPlot `json:"charts"` // one for each reference length, in the order in which they came
}

// checkPlot is the control chart of the checks at one length.
type checkPlot struct {
	ReferenceMM float64               `json:"reference_mm"`
	Chart       calibrate.ChartResult `json:"chart"`
}

func (s *Server) getChecks(w http.ResponseWriter, r *http.Request) error {
	i, err := s.pathInstrument(r)
	if err != nil {
		return err
	}
	list, err := s.store.Checks(r.Context(), i.ID)
	if err != nil {
		return err
	}
	d := checksDoc{Items: []checkDoc{}, Charts: checkPlots(i, list)}
	for _, c := range list {
		d.Items = append(d.Items, checkDoc{c.Calibration, positive(c.Reference), c.ReferenceMM, c.ReadingMM, c.DeviationMM, c.Raw, c.MeasuredBy, c.Simulated, c.At})
	}
	return writeJSON(w, http.StatusOK, d)
}

func checkPlots(i store.Instrument, list []store.Check) []checkPlot {
	plots := []checkPlot{}
	for _, c := range list {
		if !slices.ContainsFunc(plots, func(p checkPlot) bool { return sameBlock(p.ReferenceMM, c.ReferenceMM) }) {
			plots = append(plots, checkPlot{c.ReferenceMM, chartResult(onBlock(list, c.ReferenceMM), list[0].At, i.Record.ResolutionMM)})
		}
	}
	return plots
}
