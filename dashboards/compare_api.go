package dashboards

import (
	"encoding/csv"
	"math"
	"net/http"
	"strconv"
)

// series is numbers of one kind, written with so many decimals, NaN as null.
// Curves have tens of thousands of them.
type series struct {
	v        []float64
	decimals int
}

func (s series) MarshalJSON() ([]byte, error) {
	b := make([]byte, 1, 8*len(s.v)+2)
	b[0] = '['
	for i, v := range s.v {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendShort(b, v, s.decimals)
	}
	return append(b, ']'), nil
}

// appendShort writes v rounded, without the zeros that say nothing.
func appendShort(b []byte, v float64, decimals int) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(b, "null"...)
	}
	from := len(b)
	b = strconv.AppendFloat(b, v, 'f', decimals, 64)
	for decimals > 0 && b[len(b)-1] == '0' {
		b, decimals = b[:len(b)-1], decimals-1
	}
	if b[len(b)-1] == '.' {
		b = b[:len(b)-1]
	}
	if string(b[from:]) == "-0" {
		b = append(b[:from], '0')
	}
	return b
}

// What curves are rounded to: far below any instrument.
const (
	degDecimals = 4 // 0.0001°
	mmDecimals  = 5 // 10 nm
)

type compareDoc struct {
	On        string         `json:"on"`
	Simulated bool           `json:"simulated"`
	Rules     []string       `json:"rules"`
	Grid      gridDoc        `json:"grid"`
	Curves    []curveDoc     `json:"curves"`
	Pairs     []cylindersDoc `json:"pairs"`
}

type gridDoc struct {
	FromDeg float64 `json:"from_deg"`
	StepDeg float64 `json:"step_deg"`
	Points  int     `json:"points"`
}

type curveDoc struct {
	Letter       string  `json:"letter"`
	Sweep        int64   `json:"sweep"`
	Job          int64   `json:"job"`
	Cylinder     int     `json:"cylinder"`
	Indicator    string  `json:"indicator"`
	Direction    int     `json:"direction"`
	Simulated    bool    `json:"simulated"`
	Why          *string `json:"not_drawn"` // null: it is
	Against      *int64  `json:"against"`   // the sweep that the difference is taken from
	OffsetDeg    float64 `json:"own_top_deg"`
	GapDeg       float64 `json:"gap_deg"`
	XDeg         series  `json:"x_deg"`
	HeightMM     series  `json:"height_mm"`
	ResidualMM   series  `json:"residual_mm"`
	LeftOut      []int   `json:"left_out"`
	OnGridMM     series  `json:"grid_height_mm"`
	GridResidMM  series  `json:"grid_residual_mm"`
	DifferenceMM series  `json:"grid_difference_mm"`
}

type cylindersDoc struct {
	Job         int64      `json:"job"`
	Cylinder    int        `json:"cylinder"`
	RefJob      int64      `json:"reference_job"`
	RefCylinder int        `json:"reference_cylinder"`
	Why         string     `json:"why"`
	Rows        []quantity `json:"rows"`
}

func (s *Server) getCompare(w http.ResponseWriter, r *http.Request) error {
	k, err := s.compared(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, k.doc())
}

// compared is the comparison that a request asks for, with its differences.
func (s *Server) compared(r *http.Request) (*comparison, error) {
	c, err := askedOf(r.URL.Query())
	if err != nil {
		return nil, err
	}
	k, err := s.compare(r.Context(), c)
	if err != nil {
		return nil, err
	}
	k.lay()
	return k, nil
}

func (k *comparison) doc() compareDoc {
	d := compareDoc{On: k.Asked.On, Simulated: k.Simulated, Rules: []string{compareRule, jointRule, squaresRule, chanceRule, gridRule},
		Grid: gridDoc{k.Grid.FromDeg, k.Grid.StepDeg, k.Grid.Points}, Curves: []curveDoc{}, Pairs: []cylindersDoc{}}
	for i := range k.Curves {
		d.Curves = append(d.Curves, k.curveDoc(&k.Curves[i]))
	}
	for _, p := range k.Pairs {
		rows := p.Rows
		if rows == nil {
			rows = []quantity{}
		}
		d.Pairs = append(d.Pairs, cylindersDoc{p.Job.ID, p.Cylinder, p.RefJob.ID, p.RefCylinder, p.Why, rows})
	}
	return d
}

func (k *comparison) curveDoc(c *comparedCurve) curveDoc {
	d := curveDoc{Letter: c.Letter, Sweep: c.Sweep.ID, Job: c.Sweep.Job, Cylinder: c.Sweep.Cylinder, Indicator: c.Sweep.Indicator,
		Direction: c.Sweep.Direction, Simulated: c.Sweep.Simulated, OffsetDeg: c.OffsetDeg, GapDeg: c.laid.GapDeg, LeftOut: []int{}}
	if c.Why != "" {
		d.Why = &c.Why
		return d
	}
	if c.Against >= 0 {
		d.Against = &k.Curves[c.Against].Sweep.ID
	}
	x := make([]float64, len(c.XDeg))
	for i, v := range c.XDeg {
		x[i] = v + c.OffsetDeg
		if !c.Used[i] {
			d.LeftOut = append(d.LeftOut, i)
		}
	}
	d.XDeg, d.HeightMM, d.ResidualMM = series{x, degDecimals}, series{c.HeightMM, mmDecimals}, series{c.ResidMM, mmDecimals}
	d.OnGridMM, d.GridResidMM, d.DifferenceMM = series{c.laid.HeightMM, mmDecimals}, series{c.laid.ResidualMM, mmDecimals}, series{c.laid.DifferenceMM, mmDecimals}
	return d
}

// getCompareCSV is every curve on the common angles, one row an angle and
// sweep; where a sweep says nothing there is no row.
func (s *Server) getCompareCSV(w http.ResponseWriter, r *http.Request) error {
	k, err := s.compared(r)
	if err != nil {
		return err
	}
	out := csvTo(w, "compare.csv")
	rows := csv.NewWriter(out)
	rows.Write([]string{"sweep", "job", "cylinder", "direction", "on", "angle_deg", "height_mm", "residual_mm", "difference_mm", "against_sweep", "simulated"}) //nolint:errcheck // Flush tells
	for i := range k.Curves {
		k.writeRows(rows, &k.Curves[i])
	}
	rows.Flush()
	return out.end(rows.Error())
}

func (k *comparison) writeRows(rows *csv.Writer, c *comparedCurve) {
	against := ""
	if c.Against >= 0 {
		against = strconv.FormatInt(k.Curves[c.Against].Sweep.ID, 10)
	}
	text := func(v float64, decimals int) string {
		if math.IsNaN(v) {
			return ""
		}
		return string(appendShort(nil, v, decimals))
	}
	for n, height := range c.laid.HeightMM {
		if math.IsNaN(height) {
			continue
		}
		difference := ""
		if c.Against >= 0 {
			difference = text(c.laid.DifferenceMM[n], mmDecimals)
		}
		rows.Write([]string{strconv.FormatInt(c.Sweep.ID, 10), strconv.FormatInt(c.Sweep.Job, 10), strconv.Itoa(c.Sweep.Cylinder), strconv.Itoa(c.Sweep.Direction), //nolint:errcheck // Flush tells
			k.Asked.On, text(k.Grid.at(n), degDecimals), text(height, mmDecimals), text(c.laid.ResidualMM[n], mmDecimals), difference, against, strconv.FormatBool(c.Sweep.Simulated)})
	}
}
