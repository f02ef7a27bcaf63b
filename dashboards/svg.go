package dashboards

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

// drawing writes SVG. Colours come from classes alone, so that one drawing
// serves light, dark and paper.
type drawing struct {
	strings.Builder
	say sayer
}

func (d *drawing) add(format string, args ...any) { fmt.Fprintf(d, format, args...) }

// begin opens a drawing of its page's width; label says what it shows.
func (d *drawing) begin(class string, w, h float64, label string) {
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" class="plot %s" viewBox="0 0 %s %s" role="img" aria-label="%s">`, class, px(w), px(h), html.EscapeString(label))
}

// to takes a path's data to its next point.
func (d *drawing) to(x, y float64) {
	verb := "L"
	if d.Len() == 0 {
		verb = "M"
	}
	d.add("%s%s %s", verb, px(x), px(y))
}

func (d *drawing) line(class string, x1, y1, x2, y2 float64) {
	d.add(`<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`, class, px(x1), px(y1), px(x2), px(y2))
}

func (d *drawing) circle(class string, x, y, r float64) {
	d.add(`<circle class="%s" cx="%s" cy="%s" r="%s"/>`, class, px(x), px(y), px(r))
}

func (d *drawing) rect(class string, x, y, w, h float64) {
	d.add(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, px(x), px(y), px(w), px(h))
}

func (d *drawing) path(class, data string) { d.add(`<path class="%s" d="%s"/>`, class, data) }

// text anchors at start, middle or end.
func (d *drawing) text(class, anchor string, x, y float64, s string) {
	d.add(`<text class="%s" text-anchor="%s" x="%s" y="%s">%s</text>`, class, anchor, px(x), px(y), html.EscapeString(s))
}

// mark draws a verdict's shape: within a disc, outside a triangle, undecided
// an open diamond, the reference a ring with a dot.
func (d *drawing) mark(verdict string, x, y, r float64) {
	switch verdict {
	case "within":
		d.circle("v within", x, y, r)
	case "outside":
		d.path("v outside", fmt.Sprintf("M%s %sl%s %sh%sz", px(x), px(y-1.15*r), px(1.2*r), px(2.05*r), px(-2.4*r)))
	case "reference":
		d.circle("v reference", x, y, r)
		d.circle("v dot", x, y, r/3)
	default:
		d.path("v undecided", fmt.Sprintf("M%s %sl%s %sl%s %sl%s %sz", px(x), px(y-1.25*r), px(1.25*r), px(1.25*r), px(-1.25*r), px(1.25*r), px(-1.25*r), px(-1.25*r)))
	}
}

func px(v float64) string { return strconv.FormatFloat(math.Round(v*100)/100+0, 'f', -1, 64) } // no −0

// scale maps lo…hi to from…to.
type scale struct{ lo, hi, from, to float64 }

func (s scale) at(v float64) float64 {
	return s.from + (v-s.lo)/(s.hi-s.lo)*(s.to-s.from)
}

func (s scale) clamp(v float64) float64 { return s.at(min(max(v, s.lo), s.hi)) }

// ticks gives about n round values within lo…hi.
func ticks(lo, hi float64, n int) []float64 {
	step := niceStep((hi - lo) / float64(n))
	var out []float64
	for k := math.Ceil(lo/step - 1e-9); k*step <= hi+1e-9*step; k++ {
		out = append(out, k*step)
	}
	return out
}

// niceStep is the next of 1, 2, 5 × 10ⁿ at or above v.
func niceStep(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 0) {
		return 1
	}
	base := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*base >= v*(1-1e-9) {
			return m * base
		}
	}
	return 10 * base
}

// tickText prints a tick with as many decimals as its step needs.
func tickText(v, step float64) string {
	decimals := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	return signed(v, decimals)
}

// signed prints v with a real minus sign, and no sign on zero.
func signed(v float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if v < 0 && strings.Trim(s, "0.") != "" {
		return "−" + s
	}
	return s
}
