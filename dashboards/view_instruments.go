package dashboards

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"

	"crownmark/acquire"
	"crownmark/fit"
)

// instrumentsView is everything that is known of the instruments themselves.
type instrumentsView struct {
	All     []instrumentView
	Heard   int
	Notices []noticeEvent
	States  []acquire.Cure
	Reasons []acquire.Cure
	Rule    string
	Lumpy   bool // an adapter's latency timer asks for the rule
}

type instrumentView struct {
	instrumentDoc
	ID       int // in the page
	AngleDeg *float64
	HeightMM *float64
	Encoder  bool
	Fitted   *fit.StreamResult // its delay, as the selected job's sweeps tell it
	Bars     []bar
	Usual    string // the class of intervals that most fall into
	Unused   []unusedRow
}

type unusedRow struct {
	acquire.Cure
	N int64
}

// latencyRule makes the kernel hand over at once what a USB adapter has.
const latencyRule = `ACTION=="add", SUBSYSTEM=="usb-serial", ATTR{latency_timer}="1"`

func (s *Server) instrumentsPage(w http.ResponseWriter, r *http.Request) error {
	n := s.bench.Snapshot()
	d := s.benchOf(r.Context(), n)
	v := instrumentsView{Notices: d.Notices, States: acquire.StateCures(), Reasons: acquire.UnusedCures(), Rule: latencyRule}
	var streams []fit.StreamResult
	if n.Selection.Job != 0 {
		streams = s.indexOrEmpty(r.Context(), n.Selection.Job).Bench.Streams
	}
	v.add(instrumentView{instrumentDoc: d.Encoder, AngleDeg: d.AngleDeg, Encoder: true}, streams)
	for _, p := range d.Probes {
		v.add(instrumentView{instrumentDoc: p.instrumentDoc, HeightMM: p.HeightMM}, streams)
	}
	return s.render(w, r, http.StatusOK, "instruments", frame{Title: "Instruments", Here: "instruments", Page: v})
}

// Newest are the last lines, newest first.
func (i instrumentView) Newest() []lineDoc {
	out := slices.Clone(i.Lines)
	slices.Reverse(out)
	return out
}

// RunsOver is after how many seconds its own clock begins anew, "" unknown.
func (i instrumentView) RunsOver() string {
	if i.OwnClock == nil || i.OwnClock.RunsOverUS == nil {
		return ""
	}
	return fmt.Sprintf("%.4g", float64(*i.OwnClock.RunsOverUS)/1e6)
}

func (v *instrumentsView) add(i instrumentView, streams []fit.StreamResult) {
	i.ID = len(v.All)
	for _, f := range streams {
		if !i.Encoder && f.Indicator == i.Name {
			i.Fitted = &f
		}
	}
	for _, c := range v.Reasons {
		if n := i.Heard.Unused[c.What]; n > 0 {
			i.Unused = append(i.Unused, unusedRow{c, n})
		}
	}
	i.Bars, i.Usual = bars(i.Rhythm.Intervals)
	if i.State == acquire.StatusLive {
		v.Heard++
	}
	if t := i.Rhythm.LatencyTimerMS; t != nil && *t > 1 {
		v.Lumpy = true
	}
	v.All = append(v.All, i)
}

// bar is one class of the histogram, in the drawing's units.
type bar struct {
	X, Y, H float64
	Label   string // the class's upper bound, ms
	N       int64
}

// The histogram's drawing.
const (
	barApart = 30.0
	barTall  = 96.0
	barFloor = 118.0
)

// bars draws the classes of a histogram; usual is the one that most fall into,
// "" where there are none.
func bars(classes []intervalDoc) (out []bar, usual string) {
	most, below := int64(0), "0"
	for _, c := range classes {
		most = max(most, c.N)
	}
	for i, c := range classes {
		b := bar{X: 4 + barApart*float64(i), Label: "∞", N: c.N}
		if c.LeMS != nil {
			b.Label = strconv.FormatFloat(*c.LeMS, 'g', -1, 64)
		}
		if c.N > 0 {
			b.H = math.Max(2, math.Round(barTall*float64(c.N)/float64(most)))
			if c.N == most {
				usual = fmt.Sprintf("%s…%s", below, b.Label)
			}
		}
		b.Y, below = barFloor-b.H, b.Label
		out = append(out, b)
	}
	return out, usual
}
