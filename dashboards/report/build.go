package report

import (
	"encoding/json"
	"math"
	"runtime"
	"slices"
	"strconv"

	"crownmark/fit"
	"crownmark/store"
)

// Solver is fit.Solve, or what stands for it.
type Solver func(fit.Input) (fit.Index, error)

// Draft makes the document of a job as it stood, without a number. The same
// standing makes the same document.
func Draft(st store.Standing, stated Stated, software string, solve Solver) (Document, error) {
	x, err := solve(st.Input)
	if err != nil {
		return Document{}, err
	}
	x.Software, x.Revision = software, &st.Revision
	d := Document{Schema: Schema, Software: software, Platform: runtime.GOOS + "/" + runtime.GOARCH, Simulated: st.Job.Simulated || x.Simulated,
		Ledger: Ledger{st.Ledger, st.LedgerHash}, Job: statedOf(st.Job), Engine: st.Job.Engine, Measurand: Measurand, Stated: stated,
		Calibrations: []Calibration{}, Instruments: []Instrument{}, Sweeps: []Sweep{}, Presses: []Press{}, Index: x, Curves: []Curve{},
		Signs: fit.SignNotes(), Cautions: fit.Cautions(), Signatures: []string{"Measured by", "Checked by", "Date"}}
	if st.Job.DirectionSign != 0 {
		d.Direction = &st.Job.DirectionSign
	}
	for _, m := range st.Input.Marks {
		d.Presses = append(d.Presses, Press(m))
	}
	used := map[int64]bool{}
	for _, c := range x.Cylinders {
		for _, curve := range c.Curves {
			used[curve.SweepID] = true
			d.Curves = append(d.Curves, drawn(curve))
		}
	}
	for _, a := range st.Applied {
		d.Calibrations = append(d.Calibrations, cited(a))
	}
	for _, t := range st.Streams {
		d.Instruments = append(d.Instruments, Instrument{t.ID, string(t.Kind), t.Name, t.Port, t.Identity, t.OpenedAt, t.Simulated, json.RawMessage(t.ConfigJSON)})
	}
	for _, w := range st.Sweeps {
		d.Sweeps = append(d.Sweeps, Sweep{w.ID, w.Cylinder, w.Indicator, w.Direction, w.Mount, w.Setup, w.Zeroing, w.Readings,
			w.StartedAt, w.EndedAt, w.Cause, w.SetAside, w.Reason, used[w.ID], w.AngleUDeg})
	}
	return d, nil
}

func cited(a store.Applied) Calibration {
	c := Calibration{Instrument: a.Name, Registered: a.Instrument, Indicator: a.Indicator, State: a.State, Sweeps: a.Sweeps}
	if t := a.Certificate; t != nil {
		c.Number, c.At, c.Version, c.DueAt, c.Overall = strconv.FormatInt(t.Number, 10), &t.IssuedAt, t.Version, t.DueAt, t.Overall
	}
	return c
}

// statedOf is the job, with what was said of it.
func statedOf(j store.Job) Job {
	d := Job{ID: j.ID, Name: j.Name, State: j.State, EngineRevision: j.Revision, BegunAt: j.CreatedAt,
		Stage: j.Stage, Customer: j.CustomerReference, Notes: j.Notes, Tags: append([]string{}, j.Tags...)}
	if j.Cautions != nil {
		d.CautionsAt = &j.Cautions.At
	}
	return d
}

// drawnMost is how many readings of a sweep are drawn, those left out not counted.
const drawnMost = 180

// drawn thins a curve to what a small drawing can show.
func drawn(c fit.Curve) Curve {
	out := Curve{Sweep: c.SweepID, Cylinder: c.Cylinder, Direction: c.Direction, XDeg: []float64{}, HeightMM: []float64{}, ResidualUM: []float64{}, LeftOut: []int{}}
	stride, places := 1+(len(c.XDeg)-1)/drawnMost, drawnPlaces()
	for i := range c.XDeg {
		if c.Used[i] && i%stride != 0 {
			continue
		}
		if !c.Used[i] {
			out.LeftOut = append(out.LeftOut, len(out.XDeg))
		}
		out.XDeg = append(out.XDeg, rounded(c.XDeg[i], places["x_deg"]))
		out.HeightMM = append(out.HeightMM, rounded(c.HeightMM[i], places["height_mm"]))
		out.ResidualUM = append(out.ResidualUM, rounded(1000*c.ResidualMM[i], places["residual_um"]))
	}
	return out
}

// drawnPlaces are how finely a curve's points are kept: parts of a unit.
func drawnPlaces() map[string]float64 {
	return map[string]float64{"x_deg": 1e3, "height_mm": 1e4, "residual_um": 1e2}
}

func rounded(v, per float64) float64 { return math.Round(v*per)/per + 0 }

// Used says whether reading i had a say.
func (c Curve) Used(i int) bool { return !slices.Contains(c.LeftOut, i) }
