package dashboards

import (
	"fmt"
	"html"
	"io"
	"math"
	"slices"

	"crownmark/fit"
)

// PlotOptions says how CurvesSVG draws. The zero value is good for a file.
type PlotOptions struct {
	Cylinder int                                   // 0: all cylinders, one panel each
	WidthPX  int                                   // 0: 960 for all, 480 for one
	Inline   bool                                  // inside a page: colours come from the page's style sheet
	Say      func(text string, args ...any) string // in the reader's language; nil: in English
}

const (
	panelW, panelH = 480.0, 372.0
	plotLeft       = 52.0
	plotRight      = panelW - 14
	curveTop       = 48.0
	curveBottom    = 228.0
	restTop        = 250.0
	restBottom     = 328.0
	mostPoints     = 300 // drawn of one sweep
)

// CurvesSVG draws every sweep on its cylinder's own top, with the residuals of
// the crank model beneath. Errors are the writer's, or that there is no such
// cylinder.
func CurvesSVG(w io.Writer, index fit.Index, o PlotOptions) error {
	var shown []fit.Cylinder
	for _, c := range index.Cylinders {
		if o.Cylinder == 0 || c.Number == o.Cylinder {
			shown = append(shown, c)
		}
	}
	if len(shown) == 0 {
		return fmt.Errorf("plot: the engine has no cylinder %d", o.Cylinder)
	}
	columns := min(2, len(shown))
	rows := (len(shown) + columns - 1) / columns
	width, height := panelW*float64(columns), panelH*float64(rows)
	head := 0.0
	if !o.Inline {
		head = 44
	}
	if o.WidthPX == 0 {
		o.WidthPX = int(width)
	}
	if o.Say == nil {
		o.Say = filledIn
	}
	d := drawing{say: o.Say}
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" class="plot" viewBox="0 0 %s %s" width="%d" height="%s" role="img" aria-label="%s">`,
		px(width), px(height+head), o.WidthPX, px((height+head)*float64(o.WidthPX)/width), html.EscapeString(d.say("sweeps on each cylinder's own top, residuals beneath")))
	if !o.Inline {
		d.add("<style>%s</style>", plotStyle)
		d.rect("sheet", 0, 0, width, height+head)
		d.text("title", "start", 14, 28, fileTitle(index))
	}
	for i, c := range shown {
		d.add(`<g transform="translate(%s %s)">`, px(panelW*float64(i%columns)), px(head+panelH*float64(i/columns)))
		d.panel(c)
		d.add(`</g>`)
	}
	d.add("</svg>\n")
	_, err := io.WriteString(w, d.String())
	return err
}

func fileTitle(index fit.Index) string {
	title := index.Engine + ": sweeps on each cylinder's own top"
	if index.Simulated {
		title += " (simulated)"
	}
	return title
}

// plotStyle is for files only; pages have their own sheet with the same classes.
const plotStyle = `text{font:12px sans-serif;fill:#17191c;font-variant-numeric:tabular-nums}.soft{fill:#5b6068}.title{font-size:16px;font-weight:bold}.name{font-size:15px;font-weight:bold}` +
	`.sheet{fill:#fff}.frame{fill:none;stroke:#8b8f96}.grid{stroke:#dcdad2}.zero{stroke:#5b6068}.top{stroke:#143f8c;stroke-dasharray:5 3}` +
	`.curve{fill:none;stroke-width:1.6;stroke:#143f8c}.back{stroke-dasharray:5 3;stroke:#7a5200}.pt{fill:#143f8c}.pt.back{fill:none;stroke:#7a5200;stroke-dasharray:none}.out{fill:none;stroke:#a3261b;stroke-width:1.3}.dwell{stroke:#17191c;stroke-width:1.5;fill:none}`

// panel draws one cylinder: heights above, residuals beneath.
func (d *drawing) panel(c fit.Cylinder) {
	d.text("name", "start", plotLeft, 20, d.say("Cylinder %s", fmt.Sprint(c.Number)))
	if len(c.Curves) == 0 {
		d.text("soft", "start", plotLeft, 42, d.say("not swept yet"))
		d.rect("frame", plotLeft, curveTop, plotRight-plotLeft, restBottom-curveTop)
		return
	}
	x, y, rest := d.spans(c)
	d.legend(c)
	d.heightAxes(x, y)
	d.restAxes(x, rest)
	for _, curve := range c.Curves {
		d.heights(curve, x, y)
		d.residuals(curve, x, rest)
	}
	d.dwell(c, x, y)
	d.rect("frame", plotLeft, curveTop, plotRight-plotLeft, curveBottom-curveTop)
	d.rect("frame", plotLeft, restTop, plotRight-plotLeft, restBottom-restTop)
}

// spans finds the axes: angles symmetric about the top, heights as used,
// residuals so that 99 of 100 used ones are inside.
func (d *drawing) spans(c fit.Cylinder) (x, y, rest scale) {
	reach, low, high := 5.0, -0.05, 0.02
	var sizes []float64
	for _, curve := range c.Curves {
		for i, at := range curve.XDeg {
			if !curve.Used[i] {
				continue
			}
			reach = max(reach, math.Abs(at))
			low, high = min(low, curve.HeightMM[i]), max(high, curve.HeightMM[i])
			sizes = append(sizes, math.Abs(curve.ResidualMM[i])*1000)
		}
	}
	reach = math.Ceil(reach/5) * 5
	margin := 0.06 * (high - low)
	most := 1.0
	if len(sizes) > 0 {
		slices.Sort(sizes)
		most = max(1, 1.25*sizes[len(sizes)*99/100])
	}
	most = niceStep(most)
	return scale{-reach, reach, plotLeft, plotRight}, scale{low - margin, high + 2*margin, curveBottom, curveTop}, scale{-most, most, restBottom, restTop}
}

func (d *drawing) legend(c fit.Cylinder) {
	var ahead, back, out bool
	for _, curve := range c.Curves {
		ahead = ahead || curve.Direction >= 0
		back = back || curve.Direction < 0
		out = out || slices.Contains(curve.Used, false)
	}
	x := plotLeft
	if ahead {
		d.circle("pt", x+4, 34, 2.4)
		d.text("soft", "start", x+12, 38, d.say("forward"))
		x += 92
	}
	if back {
		d.circle("pt back", x+4, 34, 2.4)
		d.text("soft", "start", x+12, 38, d.say("turning back"))
		x += 128
	}
	if out {
		d.cross(x+4, 34)
		d.text("soft", "start", x+12, 38, d.say("left out"))
	}
}

func (d *drawing) cross(x, y float64) {
	d.path("out", fmt.Sprintf("M%s %sl5 5m0 -5l-5 5", px(x-2.5), px(y-2.5)))
}

func (d *drawing) heightAxes(x, y scale) {
	step := niceStep((y.hi - y.lo) / 5)
	for _, v := range ticks(y.lo, y.hi, 5) {
		d.line("grid", plotLeft, y.at(v), plotRight, y.at(v))
		d.text("soft", "end", plotLeft-6, y.at(v)+4, tickText(v, step))
	}
	d.line("top", x.at(0), curveTop, x.at(0), curveBottom)
	d.text("soft", "end", plotRight, 38, d.say("height, mm"))
}

func (d *drawing) restAxes(x, rest scale) {
	step := niceStep((x.hi - x.lo) / 8)
	for _, v := range ticks(x.lo, x.hi, 8) {
		d.line("grid", x.at(v), curveTop, x.at(v), curveBottom)
		d.line("grid", x.at(v), restTop, x.at(v), restBottom)
		d.text("soft", "middle", x.at(v), restBottom+16, tickText(v, step))
	}
	for _, v := range []float64{-rest.hi, 0, rest.hi} {
		d.text("soft", "end", plotLeft-6, rest.at(v)+4, tickText(v, niceStep(rest.hi)))
	}
	d.line("zero", plotLeft, rest.at(0), plotRight, rest.at(0))
	d.text("soft", "start", plotLeft, restTop-6, d.say("what the crank model leaves, µm"))
	d.text("soft", "end", plotRight, restBottom+32, d.say("degrees after its own top"))
}

func way(direction int) string {
	if direction < 0 {
		return " back"
	}
	return ""
}

func (d *drawing) heights(c fit.Curve, x, y scale) {
	var path drawing
	stride := 1 + len(c.XDeg)/mostPoints
	for i := 0; i < len(c.XDeg); i += stride {
		if !c.Used[i] || math.Abs(c.XDeg[i]) > x.hi {
			continue
		}
		path.to(x.at(c.XDeg[i]), y.clamp(c.HeightMM[i]))
	}
	d.path("curve"+way(c.Direction), path.String())
}

func (d *drawing) residuals(c fit.Curve, x, rest scale) {
	stride := 1 + len(c.XDeg)/mostPoints
	for i, at := range c.XDeg {
		if math.Abs(at) > x.hi {
			continue
		}
		v := rest.clamp(c.ResidualMM[i] * 1000)
		switch {
		case !c.Used[i]:
			d.cross(x.at(at), v)
		case i%stride == 0:
			d.circle("pt"+way(c.Direction), x.at(at), v, 1.7)
		}
	}
}

// dwell shows over which width the display cannot change.
func (d *drawing) dwell(c fit.Cylinder, x, y scale) {
	if c.DwellDeg == nil || *c.DwellDeg <= 0 {
		return
	}
	half := min(*c.DwellDeg/2, x.hi)
	at := y.at(0) - 8
	d.path("dwell", fmt.Sprintf("M%s %sv-5M%s %sv-5M%s %sH%s", px(x.at(-half)), px(at), px(x.at(half)), px(at), px(x.at(-half)), px(at-2.5), px(x.at(half))))
	d.text("soft", "start", x.at(half)+6, at+2, d.say("dwell %s°", signed(*c.DwellDeg, 2)))
}
