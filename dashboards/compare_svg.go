package dashboards

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strings"

	"crownmark/fit"
)

// curveDashes tell curves apart without colour; with curveInks every one of 40
// neighbours is another. The page's script takes both from its table.
var curveDashes = []string{"", "9 4", "2 3", "12 3 2 3", "6 2", "14 3 2 3 2 3", "4 6", "1 5"}

const curveInks = 5

func dashOf(i int) string { return curveDashes[i%len(curveDashes)] }
func inkOf(i int) string  { return fmt.Sprintf("k%d", i%curveInks) }

const (
	sheetW                = 1120.0
	sheetLeft, sheetRight = 96.0, sheetW - 60
	heightTop, heightEnd  = 70.0, 380.0
	diffTop, diffEnd      = 410.0, 560.0
	residTop, residEnd    = 590.0, 700.0
	legendTop, legendRow  = 770.0, 19.0
	labelRoom             = 13.0 // px between two letters
)

const compareStyle = `.k0{stroke:#173f8a}.k1{stroke:#a3241a}.k2{stroke:#17613a}.k3{stroke:#7b5300}.k4{stroke:#17191c}.cut{fill:none;stroke-width:1.5}.lead{stroke:#8b8f96;stroke-width:.7}.letter{font-weight:bold}.sim{font-weight:bold}`

func (s *Server) getCompareSVG(w http.ResponseWriter, r *http.Request) error {
	k, err := s.compared(r)
	if err != nil {
		return err
	}
	var d drawing
	d.comparison(k)
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Content-Disposition", `inline; filename="compare.svg"`)
	w.Header().Set("Cache-Control", "no-store")
	_, err = io.WriteString(w, d.String())
	return err
}

// comparison draws the whole sheet: heights, differences, residuals, legend.
func (d *drawing) comparison(k *comparison) {
	height := legendTop + legendRow*float64((len(k.Curves)+1)/2) + 16
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" role="img" aria-label="sweeps compared: heights, differences, residuals">`, px(sheetW), px(height), px(sheetW), px(height))
	d.add("<style>%s%s</style>", plotStyle, compareStyle)
	d.rect("sheet", 0, 0, sheetW, height)
	d.text("title", "start", 14, 28, k.Title())
	if k.Simulated {
		d.text("sim", "end", sheetW-14, 28, "SIMULATED: no real crank")
	}
	x := k.xScale()
	d.cut("height above the top, mm", heightTop, heightEnd, k, x, func(c *comparedCurve) []float64 { return c.laid.HeightMM }, 1, false)
	d.cut("difference, µm", diffTop, diffEnd, k, x, func(c *comparedCurve) []float64 { return c.laid.DifferenceMM }, 1000, true)
	d.cut("what the crank model leaves, µm", residTop, residEnd, k, x, func(c *comparedCurve) []float64 { return c.laid.ResidualMM }, 1000, true)
	step := niceStep((x.hi - x.lo) / 12)
	for _, v := range ticks(x.lo, x.hi, 12) {
		d.text("soft", "middle", x.at(v), residEnd+18, tickText(v, step))
	}
	d.text("soft", "end", sheetRight, residEnd+38, axisWords(k.Asked.On))
	for i := range k.Curves {
		d.legendOf(k, i)
	}
	d.add("</svg>\n")
}

func axisWords(on string) string {
	if on == onNominal {
		return "degrees after its nominal top"
	}
	return "degrees after its own top"
}

func (k *comparison) Title() string {
	var names []string
	for _, j := range k.Jobs {
		names = append(names, j.Name)
	}
	return strings.Join(names, " · ")
}

func (k *comparison) xScale() scale {
	x := scale{k.Grid.FromDeg, k.Grid.at(max(1, k.Grid.Points-1)), sheetLeft, sheetRight}
	if k.Asked.From != nil {
		x.lo = *k.Asked.From
	}
	if k.Asked.To != nil && *k.Asked.To > x.lo {
		x.hi = *k.Asked.To
	}
	if !(x.hi > x.lo) {
		x.hi = x.lo + 1
	}
	return x
}

// cut draws one property of all curves against the angle.
func (d *drawing) cut(name string, top, bottom float64, k *comparison, x scale, of func(*comparedCurve) []float64, times float64, even bool) {
	y := k.yScale(of, x, times, even)
	y.from, y.to = bottom, top
	step := niceStep((y.hi - y.lo) / 5)
	for _, v := range ticks(y.lo, y.hi, 5) {
		d.line("grid", sheetLeft, y.at(v), sheetRight, y.at(v))
		d.text("soft", "end", sheetLeft-28, y.at(v)+4, tickText(v, step))
	}
	for _, v := range ticks(x.lo, x.hi, 12) {
		d.line("grid", x.at(v), top, x.at(v), bottom)
	}
	if x.lo < 0 && x.hi > 0 {
		d.line("top", x.at(0), top, x.at(0), bottom)
	}
	d.rect("frame", sheetLeft, top, sheetRight-sheetLeft, bottom-top)
	d.text("soft", "start", sheetLeft, top-7, name)
	ends := [2][]curveEnd{}
	for i := range k.Curves {
		v := of(&k.Curves[i])
		if len(v) == 0 {
			continue
		}
		if end, ok := d.trace(k.Grid, v, i, x, y, times); ok {
			end.letter = k.Curves[i].Letter
			ends[i%2] = append(ends[i%2], end)
		}
	}
	d.letters(ends[0], sheetRight+6, "start", top, bottom)
	d.letters(ends[1], sheetLeft-6, "end", top, bottom)
}

// yScale spans what is shown; all but the wildest hundredth where the zero is
// to be in the middle.
func (k *comparison) yScale(of func(*comparedCurve) []float64, x scale, times float64, even bool) scale {
	var sizes []float64
	for i := range k.Curves {
		for n, v := range of(&k.Curves[i]) {
			if at := k.Grid.at(n); !math.IsNaN(v) && at >= x.lo && at <= x.hi {
				sizes = append(sizes, v*times)
			}
		}
	}
	if len(sizes) == 0 {
		return scale{lo: -1, hi: 1}
	}
	if !even {
		lo, hi := slices.Min(sizes), slices.Max(sizes)
		margin := max(0.06*(hi-lo), 1e-3)
		return scale{lo: lo - margin, hi: hi + margin}
	}
	for i, v := range sizes {
		sizes[i] = math.Abs(v)
	}
	slices.Sort(sizes)
	most := niceStep(max(1, 1.2*sizes[len(sizes)*99/100]))
	return scale{lo: -most, hi: most}
}

type curveEnd struct {
	letter string
	y      float64
}

// trace draws one curve and says where its end on the letters' side is.
func (d *drawing) trace(g grid, v []float64, i int, x, y scale, times float64) (end curveEnd, ok bool) {
	var path strings.Builder
	verb := "M"
	for n, mm := range v {
		at := g.at(n)
		if math.IsNaN(mm) || at < x.lo || at > x.hi {
			verb = "M"
			continue
		}
		to := y.clamp(mm * times)
		fmt.Fprintf(&path, "%s%s %s", verb, px(x.at(at)), px(to))
		verb = "L"
		if i%2 == 0 || !ok {
			end, ok = curveEnd{y: to}, true
		}
	}
	d.add(`<path class="cut %s" stroke-dasharray="%s" d="%s"/>`, inkOf(i), orNone(dashOf(i)), path.String())
	return end, ok
}

func orNone(dash string) string {
	if dash == "" {
		return "none"
	}
	return dash
}

// letters stand at the curves' ends, pushed apart where they would meet, each
// with a line to its end.
func (d *drawing) letters(ends []curveEnd, x float64, anchor string, top, bottom float64) {
	slices.SortFunc(ends, func(a, b curveEnd) int { return cmp.Compare(a.y, b.y) })
	room := min(labelRoom, (bottom-top)/float64(max(1, len(ends))))
	out := 14.0
	if anchor == "end" {
		out = -out
	}
	at := top
	for i, e := range ends {
		at = max(at, min(e.y, bottom-room*float64(len(ends)-1-i)))
		d.line("lead", x-out/3, e.y, x+out*0.8, at)
		d.text("letter", anchor, x+out, at+4, e.letter)
		at += room
	}
}

func (d *drawing) legendOf(k *comparison, i int) {
	c := &k.Curves[i]
	x, y := 14.0, legendTop+legendRow*float64(i/2)
	if i%2 == 1 {
		x += sheetW / 2
	}
	d.text("letter", "start", x, y, c.Letter)
	d.add(`<path class="cut %s" stroke-dasharray="%s" d="M%s %sh44"/>`, inkOf(i), orNone(dashOf(i)), px(x+28), px(y-4))
	d.text("soft", "start", x+80, y, k.nameOf(i))
}

// nameOf says in a line which sweep a curve is.
func (k *comparison) nameOf(i int) string {
	c := &k.Curves[i]
	name := fmt.Sprintf("sweep %d, cylinder %d, %s", c.Sweep.ID, c.Sweep.Cylinder, fit.WayWords(c.Sweep.Direction))
	if len(k.Jobs) > 1 {
		name += ", job " + fmt.Sprint(c.Sweep.Job)
	}
	switch {
	case c.Why != "":
		name += ": not drawn, " + c.Why
	case c.Against >= 0:
		name += ", less " + k.Curves[c.Against].Letter
	}
	return name
}
