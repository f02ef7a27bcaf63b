package dashboards

import (
	"fmt"
	"html/template"
	"math"

	"crownmark/fit"
)

// strip is what a strip chart shows of each cylinder.
type strip struct {
	label string
	of    func(fit.Cylinder) (v, u95 *float64, shape string)
	say   sayer
}

// errorsSVG draws every throw error with its doubt against the shop's limit:
// the verdicts can be seen before a number is read.
func errorsSVG(index fit.Index, say sayer) template.HTML {
	return stripSVG(index, strip{"throw error of each cylinder against the limit", func(c fit.Cylinder) (v, u95 *float64, shape string) {
		if c.Number == index.ReferenceCylinder {
			return c.ThrowErrorDeg, c.ThrowU95Deg, "reference"
		}
		return c.ThrowErrorDeg, c.ThrowU95Deg, c.Verdict
	}, say})
}

func filledIn(text string, args ...any) string { return filled(text, args) }

// commonSVG draws every throw's deviation from the best common zero.
func commonSVG(index fit.Index, say sayer) template.HTML {
	return stripSVG(index, strip{"deviation of each throw from the best common zero, against the limit", func(c fit.Cylinder) (v, u95 *float64, shape string) {
		return c.FromCommonDeg, c.FromCommonU95Deg, c.CommonVerdict
	}, say})
}

func stripSVG(index fit.Index, of strip) template.HTML {
	const width, left, right, row, head = 720.0, 64.0, 700.0, 34.0, 34.0
	reach := index.IndexLimitDeg * 1.5
	for _, c := range index.Cylinders {
		if v, u95, _ := of.of(c); v != nil && math.Abs(*v) < 20 {
			reach = max(reach, 1.1*(math.Abs(*v)+deref(u95)))
		}
	}
	if !(reach > 0) {
		reach = 1
	}
	x := scale{-reach, reach, left, right}
	height := head + row*float64(len(index.Cylinders)) + 60
	bottom := height - 56
	var d drawing
	d.begin("errors", width, height, of.say(of.label))
	d.rect("band", x.at(-index.IndexLimitDeg), head-8, x.at(index.IndexLimitDeg)-x.at(-index.IndexLimitDeg), bottom-head+8)
	for _, v := range []float64{-index.IndexLimitDeg, index.IndexLimitDeg} {
		d.line("limit", x.at(v), head-8, x.at(v), bottom)
		anchor := "end"
		if inside := reach < 2*index.IndexLimitDeg; (v > 0) != inside { // no room beside the band
			anchor = "start"
		}
		d.text("soft", anchor, x.at(v), head-14, of.say("limit %s", fit.Signed(v, 2)+"°"))
	}
	d.line("zero", x.at(0), head-8, x.at(0), bottom)
	step := niceStep(2 * reach / 8)
	for _, v := range ticks(-reach, reach, 8) {
		d.line("grid", x.at(v), bottom, x.at(v), bottom+5)
		d.text("soft", "middle", x.at(v), bottom+22, tickText(v, step))
	}
	d.text("soft", "start", left, bottom+48, of.say("early"))
	d.text("soft", "end", right, bottom+48, of.say("late, degrees"))
	for i, c := range index.Cylinders {
		d.errorRow(c, of, x, head+row*(float64(i)+0.5))
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

func (d *drawing) errorRow(c fit.Cylinder, of strip, x scale, y float64) {
	d.text("name", "end", x.from-14, y+5, fmt.Sprint(c.Number))
	d.line("grid", x.from, y, x.to, y)
	value, u95, shape := of.of(c)
	if value == nil {
		d.text("soft", "start", x.at(0)+8, y-4, of.say(whyNone(c)))
		return
	}
	v, u := *value, deref(u95)
	if math.Abs(v) > x.hi {
		d.text("soft", "start", x.at(0)+8, y-4, of.say("%s: off this scale", fit.Signed(v, 1)+"°"))
		return
	}
	lo, hi := x.clamp(v-u), x.clamp(v+u)
	if hi-lo > 1 {
		d.path("doubt", fmt.Sprintf("M%s %sv10M%s %sH%sM%s %sv10", px(lo), px(y-5), px(lo), px(y), px(hi), px(hi), px(y-5)))
	}
	d.mark(shape, x.at(v), y, 6.5)
}

func deref(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}
