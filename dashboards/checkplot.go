package dashboards

import (
	"html/template"
	"math"
	"time"

	"crownmark/fit/calibrate"
	"crownmark/store"
)

// checkChart is the control chart of an instrument's checks on one block.
type checkChart struct {
	calibrate.ChartResult
	ReferenceMM float64
	Others      int // checks on other blocks, which are not on it
	Begin       time.Time
	Latest      checkMark
	SVG         template.HTML
	Drifts      string // how fast, a year, with its doubt; "" unknown
	Leaves      string // the day on which it leaves a limit; "" none is foreseen
}

// checkMark is one check.
type checkMark struct {
	At          time.Time
	DeviationMM float64
}

func lastCheck(list []store.Check) *checkMark {
	if len(list) == 0 {
		return nil
	}
	c := list[len(list)-1]
	return &checkMark{c.At, c.DeviationMM}
}

// sameBlock: lengths that differ by less than a nanometre are one block's.
func sameBlock(aMM, bMM float64) bool { return math.Abs(aMM-bMM) <= 1e-6 }

// onBlock are the checks on a block. Blocks are kept apart, because an indicator's
// error differs from place to place.
func onBlock(list []store.Check, mm float64) (same []store.Check) {
	for _, k := range list {
		if sameBlock(k.ReferenceMM, mm) {
			same = append(same, k)
		}
	}
	return same
}

// chartResult is the chart of checks on one block, their days counted from begin.
func chartResult(same []store.Check, begin time.Time, stepMM float64) calibrate.ChartResult {
	var checks []calibrate.Check
	for _, k := range same {
		checks = append(checks, calibrate.Check{Days: k.At.Sub(begin).Hours() / 24, DeviationMM: k.DeviationMM})
	}
	return calibrate.ChartWith(checks, calibrate.ChartOptions{ResolutionMM: stepMM})
}

// chartOf charts the checks on the block that was read last; nil: none.
func (p calPlot) chartOf(list []store.Check, stepMM float64) *checkChart {
	if len(list) == 0 {
		return nil
	}
	last := list[len(list)-1]
	same := onBlock(list, last.ReferenceMM)
	c := checkChart{ReferenceMM: last.ReferenceMM, Latest: checkMark{last.At, last.DeviationMM}, Begin: same[0].At, Others: len(list) - len(same)}
	c.ChartResult = chartResult(same, c.Begin, stepMM)
	if d := c.Drift; d != nil {
		_, unit := p.units()
		c.Drifts = p.smallPlus(d.MMPerDay*365.25) + " ± " + p.smallText(d.U95MMPerDay*365.25, 1) + " " + unit
		if d.LeavesDay != nil {
			c.Leaves = c.day(*d.LeavesDay).Format(time.DateOnly)
		}
	}
	c.SVG = p.drawChart(c)
	return &c
}

func (c checkChart) day(days float64) time.Time {
	return c.Begin.Add(time.Duration(days * 24 * float64(time.Hour))).UTC()
}

const checkW, checkH = 720.0, 250.0

// drawChart draws checks in the order of time: within the limits discs, outside
// triangles; the line that they drift along is dotted.
func (p calPlot) drawChart(c checkChart) template.HTML {
	_, small := p.units()
	x, y := p.checkScales(c)
	var d drawing
	d.begin("checks", checkW, checkH, p.say("checks in the order of time, with their limits"))
	d.text("soft", "start", graphL, 20, p.say("off the block, %s", small))
	step := niceStep((y.hi - y.lo) / 5)
	for _, v := range ticks(y.lo, y.hi, 5) {
		d.line("grid", x.from, y.at(v), x.to, y.at(v))
		d.text("soft", "end", x.from-7, y.at(v)+4, tickText(v, step))
	}
	d.rect("frame", x.from, y.to, x.to-x.from, y.from-y.to)
	p.checkLines(&d, c, x, y)
	d.text("soft", "start", x.from, checkH-14, c.Begin.UTC().Format(time.DateOnly))
	if len(c.Points) > 1 {
		d.text("soft", "end", x.to, checkH-14, c.Latest.At.UTC().Format(time.DateOnly))
	}
	for _, m := range c.Points {
		shape, r := "within", 4.0
		if m.Outside || m.Beyond {
			shape, r = "outside", 6
		}
		d.mark(shape, x.at(m.Days), y.at(p.small(m.DeviationMM)), r)
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

func (p calPlot) checkLines(d *drawing, c checkChart, x, y scale) {
	for _, l := range []struct {
		at    *float64
		class string
		name  string
	}{{c.UpperMM, "limit", "upper limit"}, {c.LowerMM, "limit", "lower limit"}, {c.CentreMM, "zero", "mean"}} {
		if l.at == nil {
			continue
		}
		v := y.at(p.small(*l.at))
		d.line(l.class, x.from, v, x.to, v)
		d.text("limitname", "end", x.to-6, v-4, p.say(l.name))
	}
	if from, to, ok := c.driftLine(); ok {
		d.line("drift", x.at(c.Points[0].Days), y.at(p.small(from)), x.at(c.Points[len(c.Points)-1].Days), y.at(p.small(to)))
	}
}

// driftLine is where the line that the checks drift along begins and ends, mm.
func (c checkChart) driftLine() (from, to float64, ok bool) {
	if c.Drift == nil || !c.Drift.Significant {
		return 0, 0, false
	}
	var days, mean float64
	for _, m := range c.Points {
		days += m.Days / float64(len(c.Points))
		mean += m.DeviationMM / float64(len(c.Points))
	}
	at := func(m calibrate.ChartPoint) float64 { return mean + c.Drift.MMPerDay*(m.Days-days) }
	return at(c.Points[0]), at(c.Points[len(c.Points)-1]), true
}

func (p calPlot) checkScales(c checkChart) (x, y scale) {
	lo, hi := math.Inf(1), math.Inf(-1)
	cover := func(mm float64) { lo, hi = min(lo, p.small(mm)), max(hi, p.small(mm)) }
	for _, m := range c.Points {
		cover(m.DeviationMM)
	}
	for _, v := range []*float64{c.CentreMM, c.LowerMM, c.UpperMM} {
		if v != nil {
			cover(*v)
		}
	}
	room := max(0.12*(hi-lo), p.small(2e-4))
	last := c.Points[len(c.Points)-1].Days
	wide := max(0.03*last, 0.2)
	return scale{-wide, last + wide, graphL, graphR}, scale{lo - room, hi + room, checkH - 44, 32}
}

// chartWords say what a chart tells.
func chartWords(state string) string {
	switch state {
	case calibrate.Steady:
		return "It stays as it was."
	case calibrate.Drifting:
		return "Within the limits, but it moves one way: calibrate it before it leaves them."
	case calibrate.Outside:
		return "The latest check is outside the limits: clean block and anvil and check again; if it stays, calibrate it before it measures anything else."
	}
	return "Too few checks for limits yet: they are made from the first five to ten."
}
