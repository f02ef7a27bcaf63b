package dashboards

import (
	"fmt"
	"html/template"
	"math"

	"crownmark/fit"
)

// errorsSVG draws every throw error with its doubt against the shop's limit:
// the verdicts can be seen before a number is read.
func errorsSVG(index fit.Index) template.HTML {
	const width, left, right, row, head = 720.0, 64.0, 700.0, 34.0, 34.0
	reach := index.IndexLimitDeg * 1.5
	for _, c := range index.Cylinders {
		if c.ThrowErrorDeg != nil && math.Abs(*c.ThrowErrorDeg) < 20 {
			reach = max(reach, 1.1*(math.Abs(*c.ThrowErrorDeg)+deref(c.ThrowU95Deg)))
		}
	}
	if !(reach > 0) {
		reach = 1
	}
	x := scale{-reach, reach, left, right}
	height := head + row*float64(len(index.Cylinders)) + 60
	bottom := height - 56
	var d drawing
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" class="plot errors" viewBox="0 0 %s %s" role="img" aria-label="throw error of each cylinder against the limit">`, px(width), px(height))
	d.rect("band", x.at(-index.IndexLimitDeg), head-8, x.at(index.IndexLimitDeg)-x.at(-index.IndexLimitDeg), bottom-head+8)
	for _, v := range []float64{-index.IndexLimitDeg, index.IndexLimitDeg} {
		d.line("limit", x.at(v), head-8, x.at(v), bottom)
		anchor := "end"
		if inside := reach < 2*index.IndexLimitDeg; (v > 0) != inside { // no room beside the band
			anchor = "start"
		}
		d.text("soft", anchor, x.at(v), head-14, "limit "+fit.Signed(v, 2)+"°")
	}
	d.line("zero", x.at(0), head-8, x.at(0), bottom)
	step := niceStep(2 * reach / 8)
	for _, v := range ticks(-reach, reach, 8) {
		d.line("grid", x.at(v), bottom, x.at(v), bottom+5)
		d.text("soft", "middle", x.at(v), bottom+22, tickText(v, step))
	}
	d.text("soft", "start", left, bottom+48, "early")
	d.text("soft", "end", right, bottom+48, "late, degrees")
	for i, c := range index.Cylinders {
		d.errorRow(c, index.ReferenceCylinder, x, head+row*(float64(i)+0.5))
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

func (d *drawing) errorRow(c fit.Cylinder, reference int, x scale, y float64) {
	d.text("name", "end", x.from-14, y+5, fmt.Sprint(c.Number))
	d.line("grid", x.from, y, x.to, y)
	if c.ThrowErrorDeg == nil {
		d.text("soft", "start", x.at(0)+8, y-4, whyNone(c))
		return
	}
	v, u := *c.ThrowErrorDeg, deref(c.ThrowU95Deg)
	if math.Abs(v) > x.hi {
		d.text("soft", "start", x.at(0)+8, y-4, fit.Signed(v, 1)+"°: off this scale")
		return
	}
	lo, hi := x.clamp(v-u), x.clamp(v+u)
	if hi-lo > 1 {
		d.path("doubt", fmt.Sprintf("M%s %sv10M%s %sH%sM%s %sv10", px(lo), px(y-5), px(lo), px(y), px(hi), px(hi), px(y-5)))
	}
	verdict := c.Verdict
	if c.Number == reference {
		verdict = "reference"
	}
	d.mark(verdict, x.at(v), y, 6.5)
}

func deref(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}
