package dashboards

import (
	"fmt"
	"html/template"
	"math"

	"crownmark/fit/calibrate"
)

// calPlot says how a calibration is drawn. Nothing in it is told by colour
// alone: moving in is a full line and full dots, moving out a broken line and
// open dots, a repeated point a cross.
type calPlot struct {
	say  sayer
	inch bool
}

// The error graph's field.
const (
	graphW, graphH     = 720.0, 304.0
	graphL, graphR     = 66.0, 704.0
	graphTop, graphEnd = 34.0, 252.0
)

// small is an error in the unit that it is drawn in: micrometres, or millionths
// of an inch.
func (p calPlot) small(mm float64) float64 {
	if p.inch {
		return mm / mmPerInch * 1e6
	}
	return mm * 1e3
}

func (p calPlot) large(mm float64) float64 {
	if p.inch {
		return mm / mmPerInch
	}
	return mm
}

func (p calPlot) units() (place, small string) {
	if p.inch {
		return "in", "µin"
	}
	return "mm", "µm"
}

// errorGraph draws the errors of every run against the reference, what the
// correction takes away with its doubt, and the band of the total error's limit,
// laid evenly about the errors: they are within where none lies outside of it.
func (p calPlot) errorGraph(r calibrate.Result) template.HTML {
	if len(r.Points) == 0 {
		return ""
	}
	x, y, lo, hi := p.graphScales(r)
	place, small := p.units()
	var d drawing
	d.begin("calgraph", graphW, graphH, p.say("errors of the indicator against the reference, moving in and moving out, and the correction with its doubt"))
	d.graphGrid(x, y)
	d.text("soft", "start", graphL, graphTop-14, p.say("error, %s (reading − reference)", small))
	d.text("soft", "end", graphR, graphH-3, p.say("reference, %s", place))
	d.path("doubtband", p.doubtBand(r.Correction, x, y))
	if limit, ok := r.Limits[calibrate.Total]; ok {
		mid, half := (lo+hi)/2, p.small(limit)/2
		for _, v := range []float64{mid - half, mid + half} {
			d.line("limit", graphL, y.at(v), graphR, y.at(v))
		}
		d.text("limitname", "end", graphR-6, y.at(mid+half)+14, p.say("limit of the total error, %s", p.smallText(limit, 1)+" "+small))
	}
	for _, run := range runsOf(r.Points) {
		d.drawRun(p, run, x, y)
	}
	d.path("meanerror", p.meanError(r.Correction, x, y))
	d.add(`</svg>`)
	return template.HTML(d.String())
}

// graphScales covers everything that is drawn; lo and hi are the errors' own.
func (p calPlot) graphScales(r calibrate.Result) (x, y scale, lo, hi float64) {
	xlo, xhi := math.Inf(1), math.Inf(-1)
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, row := range r.Points {
		at, e := p.large(row.ReferenceMM), p.small(row.ErrorMM)
		xlo, xhi = min(xlo, at), max(xhi, at)
		lo, hi = min(lo, e), max(hi, e)
	}
	ylo, yhi := lo, hi // 0 need not be among them: a display that was not zeroed is off by as much everywhere
	for _, k := range r.Correction {
		u := p.small(max(k.U95MM, deref(k.BetweenU95MM)))
		ylo, yhi = min(ylo, p.small(-k.CorrectionMM)-u), max(yhi, p.small(-k.CorrectionMM)+u)
	}
	if limit, ok := r.Limits[calibrate.Total]; ok {
		ylo, yhi = min(ylo, (lo+hi)/2-p.small(limit)/2), max(yhi, (lo+hi)/2+p.small(limit)/2)
	}
	room := max(0.08*(yhi-ylo), p.small(1e-4))
	wide := max(0.03*(xhi-xlo), 1e-3)
	return scale{xlo - wide, xhi + wide, graphL, graphR}, scale{ylo - room, yhi + room, graphEnd, graphTop}, lo, hi
}

func (d *drawing) graphGrid(x, y scale) {
	step := niceStep((y.hi - y.lo) / 6)
	for _, v := range ticks(y.lo, y.hi, 6) {
		class := "grid"
		if math.Abs(v) < step/2 {
			class = "zero"
		}
		d.line(class, x.from, y.at(v), x.to, y.at(v))
		d.text("soft", "end", x.from-7, y.at(v)+4, tickText(v, step))
	}
	step = niceStep((x.hi - x.lo) / 10)
	for _, v := range ticks(x.lo, x.hi, 10) {
		d.line("grid", x.at(v), y.from, x.at(v), y.from+5)
		d.text("soft", "middle", x.at(v), y.from+20, tickText(v, step))
	}
	d.rect("frame", x.from, y.to, x.to-x.from, y.from-y.to)
}

// at is where a knot of the correction lies on the reference's scale, and the
// error that it takes away.
func (p calPlot) at(k calibrate.Knot) (place, err float64) {
	return p.large(k.ReadingMM + k.CorrectionMM), p.small(-k.CorrectionMM)
}

func (p calPlot) meanError(knots []calibrate.Knot, x, y scale) string {
	var d drawing
	for _, k := range knots {
		place, err := p.at(k)
		d.to(x.at(place), y.at(err))
	}
	return d.String()
}

// doubtBand has between two knots the doubt that holds between them.
func (p calPlot) doubtBand(knots []calibrate.Knot, x, y scale) string {
	var d drawing
	for i := 0; i+1 < len(knots); i++ {
		u := p.small(knots[i].U95MM)
		if b := knots[i].BetweenU95MM; b != nil {
			u = p.small(*b)
		}
		x0, e0 := p.at(knots[i])
		x1, e1 := p.at(knots[i+1])
		d.add("M%s %sL%s %sL%s %sL%s %sz", px(x.at(x0)), px(y.at(e0+u)), px(x.at(x1)), px(y.at(e1+u)), px(x.at(x1)), px(y.at(e1-u)), px(x.at(x0)), px(y.at(e0-u)))
	}
	return d.String()
}

// calRun is what was read one way in one run.
type calRun struct {
	way  calibrate.Direction
	rows []calibrate.Row
}

// runsOf parts the points where run or direction changes.
func runsOf(points []calibrate.Row) (runs []calRun) {
	for i, r := range points {
		if i == 0 || r.Run != points[i-1].Run || r.Direction != points[i-1].Direction {
			runs = append(runs, calRun{way: r.Direction})
		}
		last := &runs[len(runs)-1]
		last.rows = append(last.rows, r)
	}
	return runs
}

func (d *drawing) drawRun(p calPlot, run calRun, x, y scale) {
	var line drawing
	for _, r := range run.rows {
		at, e := x.at(p.large(r.ReferenceMM)), y.at(p.small(r.ErrorMM))
		line.to(at, e)
		switch run.way {
		case calibrate.Up:
			d.circle("pt", at, e, 3)
		case calibrate.Down:
			d.circle("pt back", at, e, 3)
		default:
			d.path("rept", fmt.Sprintf("M%s %sv8m-4 -4h8", px(at), px(e-4)))
		}
	}
	switch run.way {
	case calibrate.Up:
		d.path("curve", line.String())
	case calibrate.Down:
		d.path("curve back", line.String())
	}
}

// smallText is an error or its doubt as tables have it.
func (p calPlot) smallText(mm float64, decimals int) string {
	if p.inch {
		decimals = 0
	}
	return signed(p.small(mm), decimals)
}
