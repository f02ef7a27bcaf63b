package dashboards

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"crownmark/fit/calibrate"
	"crownmark/store"
)

// beginView is the form that begins a calibration.
type beginView struct {
	registered
	Plugged    string // the indicator of the bench that it is; "": its readings are typed
	Speaks     bool
	References []registered
	Schemes    []schemeChoice
	Proposed   string
	Runs       int
	By         []string // who has calibrated so far
	Busy       int64    // the calibration that runs on the bench; 0: none
}

// schemeChoice is a scheme with how many points it asks for in one, two and three
// runs; Why says why it cannot be taken.
type schemeChoice struct {
	Key    string `json:"key"`
	Points []int  `json:"points"`
	Why    string `json:"why"`
}

const (
	mostRuns     = 3
	usualRepeats = 5 // of calibrate.Plan
)

func (s *Server) newCalibrationPage(w http.ResponseWriter, r *http.Request) error {
	asked := r.URL.Query().Get("instrument")
	if asked == "" {
		http.Redirect(w, r, "/register", http.StatusSeeOther)
		return nil
	}
	id, err := strconv.ParseInt(asked, 10, 64)
	if err != nil || id <= 0 {
		return invalid(Fault{"?instrument", "it names no instrument of the register", "begin from the instrument's page"})
	}
	i, err := s.store.Instrument(r.Context(), id)
	if err != nil {
		return err
	}
	if i.Record.Kind != store.RegisterIndicator {
		return invalid(Fault{"?instrument", "only an indicator is held against a reference, point by point", "choose an indicator in the register"})
	}
	p := s.calPlotOf(r)
	v := beginView{registered: p.registered(i), Schemes: schemesFor(i.Record), Runs: 1}
	if err := s.atHand(r, p, i.Record, &v); err != nil {
		return err
	}
	if v.By, err = s.calibratedBy(r, id); err != nil {
		return err
	}
	v.Proposed = proposedScheme(i.Record.Scheme, v.Schemes)
	return s.render(w, r, http.StatusOK, "newcalibration", frame{Title: "Calibrate", Of: i.Record.Name, Here: "register", Page: v})
}

// atHand looks what is on the bench, and what it can be held against.
func (s *Server) atHand(r *http.Request, p calPlot, record store.InstrumentRecord, v *beginView) (err error) {
	n := s.bench.Snapshot()
	if n.Stand != nil {
		v.Busy = n.Stand.Calibration
	}
	for _, on := range n.Indicators {
		if linked(record, on) {
			v.Plugged, v.Speaks = on.Name, !on.Config.ByEye()
		}
	}
	v.References, err = s.keptReferences(r.Context(), p)
	return err
}

// calibratedBy are the names on an instrument's latest calibrations.
func (s *Server) calibratedBy(r *http.Request, id int64) (names []string, err error) {
	runs, err := s.allCalibrations(r.Context(), id)
	for _, c := range slices.Backward(runs) {
		if by := c.Conditions.MeasuredBy; by != "" && !slices.Contains(names, by) && len(names) < 4 {
			names = append(names, by)
		}
	}
	return names, err
}

// schemesFor plans each scheme for an instrument, to say how many points it is.
func schemesFor(r store.InstrumentRecord) (list []schemeChoice) {
	for _, key := range calibrate.Schemes() {
		c := schemeChoice{Key: key, Points: []int{}}
		for runs := 1; runs <= mostRuns && key != calibrate.SchemeOwn; runs++ {
			plan, err := calibrate.Plan(calibrate.PlanRequest{Scheme: key, RangeMM: r.RangeMM, ResolutionMM: r.ResolutionMM, Runs: runs})
			if err != nil {
				c.Why = err.Error()
				break
			}
			c.Points = append(c.Points, len(plan))
		}
		list = append(list, c)
	}
	return list
}

// proposedScheme is the record's own if it can be, else the first that can.
func proposedScheme(own string, list []schemeChoice) string {
	for _, c := range list {
		if c.Key == own && c.Why == "" {
			return own
		}
	}
	for _, c := range list {
		if c.Why == "" {
			return c.Key
		}
	}
	return calibrate.SchemeOwn
}

// Script is what the page's script needs, as JSON.
func (v beginView) Script() (string, error) {
	d := map[string]any{"instrument": v.ID, "schemes": v.Schemes, "scheme": v.Proposed, "runs": v.Runs, "reference": 0, "repeats": usualRepeats}
	if len(v.References) > 0 {
		d["reference"] = v.References[0].ID
	}
	return toJSON(d)
}

// Refusal says why no scheme but points of one's own can be taken; "": one can.
func (v beginView) Refusal() string {
	for _, c := range v.Schemes {
		if c.Why == "" && c.Key != calibrate.SchemeOwn {
			return ""
		}
	}
	if v.Record.RangeMM == 0 {
		return "The register does not say its range: write it there, and a scheme lays the points."
	}
	return fmt.Sprintf("No scheme fits: %s.", v.Schemes[0].Why)
}
