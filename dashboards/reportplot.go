package dashboards

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"crownmark/dashboards/report"
	"crownmark/fit"
)

// Drawings of the report. Nothing in them is told by colour alone: forward is a
// full line and a full dot, turning back a broken line and an open dot, left
// out a cross.

const (
	stripW, stripH = 132.0, 17.0
	plotW, plotH   = 232.0, 186.0
)

// errorReach is how far the drawings of throw errors go either side of zero.
func errorReach(x fit.Index) float64 {
	reach := 1.5 * x.IndexLimitDeg
	for _, c := range x.Cylinders {
		if c.ThrowErrorDeg != nil && math.Abs(*c.ThrowErrorDeg) < 20 {
			reach = max(reach, 1.08*(math.Abs(*c.ThrowErrorDeg)+deref(c.ThrowU95Deg)))
		}
	}
	if !(reach > 0) {
		return 1
	}
	return reach
}

func stripScale(reach float64) scale { return scale{-reach, reach, 4, stripW - 4} }

// errorStrip draws one throw error and its doubt against the limit.
func errorStrip(c fit.Cylinder, shape string, limit, reach float64) template.HTML {
	x, mid := stripScale(reach), stripH/2
	var d drawing
	d.add(`<svg class="strip" viewBox="0 0 %s %s" aria-hidden="true">`, px(stripW), px(stripH))
	d.rect("band", x.at(-limit), 0, x.at(limit)-x.at(-limit), stripH)
	for _, v := range []float64{-limit, limit} {
		d.line("limit", x.at(v), 0, x.at(v), stripH)
	}
	d.line("zero", x.at(0), 0, x.at(0), stripH)
	if v := c.ThrowErrorDeg; v != nil && math.Abs(*v) <= reach {
		u := deref(c.ThrowU95Deg)
		lo, hi := x.clamp(*v-u), x.clamp(*v+u)
		if hi-lo > 1 {
			d.path("doubt", fmt.Sprintf("M%s %sv12M%s %sH%sM%s %sv12", px(lo), px(mid-6), px(lo), px(mid), px(hi), px(hi), px(mid-6)))
		}
		d.mark(shape, x.at(*v), mid, 3.4)
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

// errorScale is the head over the strips.
func errorScale(limit, reach float64) template.HTML {
	x := stripScale(reach)
	var d drawing
	d.add(`<svg class="strip" viewBox="0 0 %s 11" aria-hidden="true">`, px(stripW))
	if reach < 4*limit { // else the three would stand on one another
		d.text("", "middle", x.at(-limit), 10, fit.Signed(-limit, 2)+"°")
		d.text("", "middle", x.at(limit), 10, fit.Signed(limit, 2)+"°")
	} else {
		d.text("", "middle", x.at(0), 10, "±"+signed(limit, 2)+"°")
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

// reportPlots draws every cylinder's sweeps on its own top, all on the same axes.
func reportPlots(d report.Document, say func(string, ...any) string) []reportPlot {
	ax := axesOf(d)
	var out []reportPlot
	for _, c := range d.Index.Cylinders {
		p := reportPlot{Number: c.Number}
		var curves []report.Curve
		for _, curve := range d.Curves {
			if curve.Cylinder == c.Number {
				curves = append(curves, curve)
			}
		}
		if len(curves) == 0 {
			p.Why = whyNone(c)
		} else {
			p.Plot = ax.plot(c, curves, say)
		}
		out = append(out, p)
	}
	return out
}

type plotAxes struct{ x, y, rest scale }

// axesOf finds axes that hold every curve of the report.
func axesOf(d report.Document) plotAxes {
	reach, low, high := 5.0, -0.05, 0.02
	var sizes []float64
	for _, c := range d.Curves {
		for i, x := range c.XDeg {
			if c.Used(i) {
				reach, low, high = max(reach, math.Abs(x)), min(low, c.HeightMM[i]), max(high, c.HeightMM[i])
				sizes = append(sizes, math.Abs(c.ResidualUM[i]))
			}
		}
	}
	most := 1.0
	if len(sizes) > 0 {
		slices.Sort(sizes)
		most = max(1, 1.3*sizes[len(sizes)*99/100])
	}
	most, reach = niceStep(most), math.Ceil(reach/5)*5
	return plotAxes{scale{-reach, reach, 30, plotW - 4}, scale{low - 0.04*(high-low), high + 0.1*(high-low), 108, 18}, scale{-most, most, 164, 122}}
}

func (ax plotAxes) plot(c fit.Cylinder, curves []report.Curve, say func(string, ...any) string) template.HTML {
	var d drawing
	d.add(`<svg class="curves" viewBox="0 0 %s %s" role="img" aria-label="%s">`, px(plotW), px(plotH), template.HTMLEscapeString(say("sweeps on each cylinder's own top, residuals beneath")))
	d.text("name", "start", ax.x.from, 11, say("Cylinder %s", fmt.Sprint(c.Number)))
	if c.DwellDeg != nil {
		d.text("", "end", ax.x.to, 11, say("dwell %s°", signed(*c.DwellDeg, 2)))
	}
	ax.frame(&d, say)
	for _, curve := range curves {
		ax.curve(&d, curve)
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

func (ax plotAxes) frame(d *drawing, say func(string, ...any) string) {
	step := niceStep((ax.y.hi - ax.y.lo) / 4)
	for _, v := range ticks(ax.y.lo, ax.y.hi, 4) {
		d.line("grid", ax.x.from, ax.y.at(v), ax.x.to, ax.y.at(v))
		d.text("", "end", ax.x.from-3, ax.y.at(v)+3, tickText(v, step))
	}
	for _, v := range ticks(ax.x.lo, ax.x.hi, 4) {
		d.line("grid", ax.x.at(v), ax.y.to, ax.x.at(v), ax.y.from)
		d.line("grid", ax.x.at(v), ax.rest.to, ax.x.at(v), ax.rest.from)
		d.text("", "middle", ax.x.at(v), ax.rest.from+9, tickText(v, niceStep((ax.x.hi-ax.x.lo)/4)))
	}
	d.line("zero", ax.x.from, ax.rest.at(0), ax.x.to, ax.rest.at(0))
	for _, v := range []float64{-ax.rest.hi, ax.rest.hi} {
		d.text("", "end", ax.x.from-3, ax.rest.at(v)+3, tickText(v, niceStep(ax.rest.hi)))
	}
	d.text("", "start", ax.x.from+3, ax.y.to+9, say("mm"))
	d.text("", "start", ax.x.from+2, ax.rest.to-3, say("left over, µm"))
	d.text("", "end", ax.x.to, ax.rest.from+19, say("degrees after its own top"))
	d.rect("frame", ax.x.from, ax.y.to, ax.x.to-ax.x.from, ax.y.from-ax.y.to)
	d.rect("frame", ax.x.from, ax.rest.to, ax.x.to-ax.x.from, ax.rest.from-ax.rest.to)
}

func (ax plotAxes) curve(d *drawing, c report.Curve) {
	var path strings.Builder
	verb := "M"
	for i, at := range c.XDeg {
		if math.Abs(at) > ax.x.hi {
			continue
		}
		x, rest := ax.x.at(at), ax.rest.clamp(c.ResidualUM[i])
		switch {
		case !c.Used(i):
			d.path("out", fmt.Sprintf("M%s %sl4 4m0 -4l-4 4", px(x-2), px(rest-2)))
			continue
		case i%2 == 0:
			d.circle("pt"+way(c.Direction), x, rest, 0.9)
		}
		fmt.Fprintf(&path, "%s%s %s", verb, px(x), px(ax.y.at(c.HeightMM[i])))
		verb = "L"
	}
	d.path("curve"+way(c.Direction), path.String())
}
