package dashboards

import (
	"fmt"
	"html/template"
	"math"
	"strconv"

	"crownmark/fit"
)

// sayer says a text in the language of whoever looks.
type sayer func(text string, args ...any) string

// crankSVG draws the crank as it is seen from the damper end, the reference at
// its top: each throw where its own piston's top has it, nominal and as
// measured, deviations magnified by the factor that it returns. A throw that
// comes later lies further against the way of turning. hand is +1 for clockwise
// running.
func crankSVG(index fit.Index, hand float64, say sayer) (svg template.HTML, factor float64) {
	factor = magnification(index)
	var d drawing
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" class="star" viewBox="-480 -520 960 980" role="img" aria-label="%s">`,
		template.HTMLEscapeString(say("the crank seen from the damper end, deviations magnified %s times", times(factor))))
	d.circle("pins", 0, 0, throwsOut)
	d.add(`<path class="arrow" d="M%s -478A486 486 0 0 %s %s -443"/><path class="arrowhead" d="%s"/>`, px(hand*88), sweepFlag(hand), px(hand*200), arrowHead(hand))
	levels := map[int]int{} // throws that lie in one place are drawn one inside the other
	for _, c := range index.Cylinders {
		place := int(math.Round(math.Mod(c.NominalDeg, 360) * 10))
		d.throw(c, c.Number == index.ReferenceCylinder, hand, factor, throwsOut-throwsStep*float64(levels[place]))
		levels[place]++
	}
	d.circle("hub", 0, 0, 56)
	d.text("factor", "middle", 0, 14, "×"+times(factor))
	d.add(`</svg>`)
	return template.HTML(d.String()), factor
}

const throwsOut, throwsStep = 350.0, 105.0

func (d *drawing) throw(c fit.Cylinder, reference bool, hand, factor, r float64) {
	at := -hand * math.Mod(c.NominalDeg, 360)
	d.add(`<g class="throw" data-cylinder="%d">`, c.Number)
	x, y := polar(at, throwsOut+40)
	d.line("nominal", 0, 0, x, y)
	known := c.ThrowErrorDeg != nil && math.Abs(*c.ThrowErrorDeg) < 20
	shown, verdict := at, c.Verdict
	if known {
		shown -= hand * factor * *c.ThrowErrorDeg
		if half := factor * deref(c.ThrowU95Deg); half > 0 {
			d.path("doubt", band(shown-half, shown+half, r-34, r+34))
		}
		x, y = polar(shown, r)
		d.line("arm", 0, 0, x, y)
	}
	if reference {
		verdict = "reference"
	}
	x, y = polar(shown, r)
	d.mark(verdict, x, y, 17)
	x, y = polar(shown, r+64)
	d.text("number", "middle", x, y+14, strconv.Itoa(c.Number))
	d.add(`</g>`)
}

// polar is a place at deg clockwise from the top of the drawing.
func polar(deg, r float64) (x, y float64) {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	return r * sin, -r * cos
}

// band is the part of a ring between two angles, at most a full turn of it.
func band(from, to, inner, outer float64) string {
	if to-from > 358 {
		to = from + 358
	}
	large := "0"
	if to-from > 180 {
		large = "1"
	}
	x0, y0 := polar(from, outer)
	x1, y1 := polar(to, outer)
	x2, y2 := polar(to, inner)
	x3, y3 := polar(from, inner)
	return fmt.Sprintf("M%s %sA%s %s 0 %s 1 %s %sL%s %sA%s %s 0 %s 0 %s %sz", px(x0), px(y0), px(outer), px(outer), large, px(x1), px(y1),
		px(x2), px(y2), px(inner), px(inner), large, px(x3), px(y3))
}

// magnification is the largest of 1, 2, 5 × 10ⁿ, up to 200, that keeps every
// throw with its doubt within 30° of its nominal place, and clear of the next.
func magnification(index fit.Index) float64 {
	most, room := 0.0, 30.0
	for i, c := range index.Cylinders {
		if c.ThrowErrorDeg != nil && math.Abs(*c.ThrowErrorDeg) < 20 {
			most = math.Max(most, math.Abs(*c.ThrowErrorDeg)+deref(c.ThrowU95Deg))
		}
		for _, other := range index.Cylinders[:i] {
			if apart := math.Abs(foldHalf(c.NominalDeg - other.NominalDeg)); apart > 1 {
				room = math.Min(room, 0.42*apart)
			}
		}
	}
	return magnify(most, room, 200)
}

// magnify is the largest of 1, 2, 5 × 10ⁿ, 1 at least and limit at most, by which
// most stays within room.
func magnify(most, room, limit float64) float64 {
	factor := 1.0
	for _, next := range []float64{1, 2, 5, 10, 20, 50, 100, 200} {
		if next <= limit && next*most <= room {
			factor = next
		}
	}
	return factor
}

func times(factor float64) string { return strconv.FormatFloat(factor, 'f', -1, 64) }
