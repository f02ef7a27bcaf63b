package dashboards

import (
	"fmt"
	"html/template"
	"math"

	"crownmark/fit"
)

// ringSVG draws the damper's ring as it is seen from the front, with the marks
// that were pressed: where each belongs, and where it stands, the difference
// magnified by the factor that it returns. The page's script turns #turn with the
// crank, #chosen to the mark in hand, and fills in the texts.
func ringSVG(marks []fit.MarkError, hand float64, say sayer) (svg template.HTML, factor float64) {
	factor = ringFactor(marks)
	var d drawing
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" class="ring" viewBox="-500 -500 1000 1000" role="img" aria-label="%s">`,
		template.HTMLEscapeString(say("the damper seen from the front, mark errors magnified %s times", times(factor))))
	d.circle("rim", 0, 0, ringOut)
	d.circle("rim thin", 0, 0, ringIn)
	d.add(`<g id="turn">`)
	for deg := 0; deg < 360; deg += 10 {
		x0, y0 := polar(float64(deg), ringIn+22)
		x1, y1 := polar(float64(deg), ringIn)
		d.line("tick", x0, y0, x1, y1)
	}
	d.add(`<g id="chosen"><path d="M0 %sl25 54h-50z"/></g>`, px(-ringOut+8))
	for i, m := range marks {
		d.damperMark(m, hand, factor, ringOut+26+44*float64(i%2), ringIn-52-50*float64(i%2))
	}
	d.add(`</g><path class="pointer" d="M0 %sl18 -48h-36z"/>`, px(-ringOut+6))
	d.add(`<path class="arrow" d="M%s -398A424 424 0 0 %s %s -372"/><path class="arrowhead" d="%s"/>`, px(hand*-196), sweepFlag(hand), px(hand*-138), ringHead(hand))
	d.add(`<text id="angle" class="angle" text-anchor="middle" y="24">—</text>`)
	d.add(`<text id="angle-of" class="of" text-anchor="middle" y="84"></text>`)
	d.add(`<text id="ring-state" class="of state" text-anchor="middle" y="-118"></text></svg>`)
	return template.HTML(d.String()), factor
}

const ringOut, ringIn = 368.0, 300.0

// ringHead is the arrow of running direction's head, beside the pointer.
func ringHead(hand float64) string {
	return "M" + px(hand*-112) + " -382l" + px(hand*-34) + " -14l" + px(hand*10) + " 30z"
}

// damperMark draws one mark with its error at the radius r, its name at name.
func (d *drawing) damperMark(m fit.MarkError, hand, factor, r, name float64) {
	at := -hand * m.MarkDeg
	d.add(`<g class="mark" data-mark="%s">`, times(m.MarkDeg))
	x0, y0 := polar(at, ringIn)
	x1, y1 := polar(at, r)
	d.line("belongs", x0, y0, x1, y1)
	stands := at
	if m.ErrorDeg != nil && math.Abs(*m.ErrorDeg) < 20 {
		stands += hand * factor * *m.ErrorDeg
		if half := factor * deref(m.U95Deg); half > 0 && half < 180 {
			d.path("doubt", band(stands-half, stands+half, r-13, r+13))
		}
		d.path("error", arc(at, stands, r))
		x0, y0 = polar(stands, ringIn)
		x1, y1 = polar(stands, r+16)
		d.line("stands", x0, y0, x1, y1)
	}
	d.add(`<text class="name" text-anchor="middle" y="%s" transform="rotate(%s)">%s°</text></g>`, px(-name), px(at), fit.Signed(m.MarkDeg, markDecimals(m.MarkDeg)))
}

// arc is a line along a circle.
func arc(from, to, r float64) string {
	x0, y0 := polar(from, r)
	x1, y1 := polar(to, r)
	way, large := "1", "0"
	if to < from {
		way = "0"
	}
	if math.Abs(to-from) > 180 {
		large = "1"
	}
	return fmt.Sprintf("M%s %sA%s %s 0 %s %s %s %s", px(x0), px(y0), px(r), px(r), large, way, px(x1), px(y1))
}

// ringFactor keeps every mark with its doubt within 30° of where it belongs.
func ringFactor(marks []fit.MarkError) float64 {
	most := 0.0
	for _, m := range marks {
		if m.ErrorDeg != nil && math.Abs(*m.ErrorDeg) < 20 {
			most = math.Max(most, math.Abs(*m.ErrorDeg)+deref(m.U95Deg))
		}
	}
	return magnify(most, 30, 50)
}

// markDecimals is how many decimals a mark's own degrees need, one at most.
func markDecimals(deg float64) int {
	if deg == math.Trunc(deg) {
		return 0
	}
	return 1
}
