package dashboards

import (
	"html/template"
	"math"
	"net/http"
	"slices"

	"crownmark/fit"
)

// turnView is the page that leads the crank to an angle from a cylinder's true top.
type turnView struct {
	Job   *jobDoc
	Bench benchDoc
	Why   string // why there is nothing to turn to yet
	Tops  []turnTop
	Dial  template.HTML
	Runs  string
	Sign  int
	Hand  float64
	Lash  *float64
	LashU *float64 // expanded
	Back  string   // what the maker says of turning back
}

// turnTop is one cylinder's true top, degrees in running direction as the encoder counts.
type turnTop struct {
	N       int      `json:"n"`
	TopDeg  float64  `json:"top_deg"`
	U95Deg  *float64 `json:"u95_deg"`
	Swept   bool     `json:"swept"` // else nominal, from the reference's top
	Nominal float64  `json:"nominal_deg"`
}

// Script is what the page's script needs, as JSON.
func (v turnView) Script() (string, error) {
	return toJSON(map[string]any{"tops": v.Tops, "sign": v.Sign, "hand": v.Hand, "lash": v.Lash, "lash_u95": v.LashU, "again": v.again()})
}

// again is how far to go back before coming up anew: past the lash with enough to spare.
func (v turnView) again() float64 {
	lash := 0.0
	if v.Lash != nil {
		lash = math.Abs(*v.Lash)
	}
	if v.LashU != nil {
		lash += *v.LashU
	}
	return math.Ceil(lash + settleDeg)
}

const settleDeg = 5.0 // beyond the lash, so that bearings and timing drive lie as when running

func (s *Server) turnPage(w http.ResponseWriter, r *http.Request) error {
	n := s.bench.Snapshot()
	v := turnView{Bench: s.benchOf(r.Context(), n), Sign: 1, Hand: 1}
	simulated := false
	if n.Selection.Job == 0 {
		v.Why = "Choose a job on the bench page first."
		return s.render(w, r, http.StatusOK, "turn", frame{Title: "Turn to", Here: "turn", Page: v})
	}
	job, err := s.store.Job(r.Context(), n.Selection.Job)
	if err != nil {
		return err
	}
	sweeps, err := s.allSweeps(r.Context(), job.ID)
	if err != nil {
		return err
	}
	index := s.indexOrEmpty(r.Context(), job.ID)
	var b benchView
	b.Hand, b.Sign = 1, 1
	b.ofJob(job, sweeps, index, n)
	d := jobOf(job)
	v.Job, v.Runs, v.Sign, v.Hand, v.Back = &d, b.Runs, b.Sign, b.Hand, b.TurnBack
	v.Lash, v.LashU = index.Bench.LashDeg, index.Bench.LashU95Deg
	simulated = job.Simulated
	if b.ZeroDeg == nil {
		v.Why = b.ZeroWord
		if job.DirectionSign == 0 {
			v.Why = "Confirm the running direction and sweep the reference first."
		}
	} else {
		v.Tops = turnTops(*b.ZeroDeg, index)
	}
	v.Dial = dialSVG(v.Hand)
	return s.render(w, r, http.StatusOK, "turn", frame{Title: "Turn to", Here: "turn", Page: v, Simulated: simulated})
}

func turnTops(zero float64, index fit.Index) (tops []turnTop) {
	for _, c := range index.Cylinders {
		one := turnTop{N: c.Number, Nominal: c.NominalDeg, TopDeg: zero + c.NominalDeg}
		if c.TDCDeg != nil {
			one.TopDeg, one.U95Deg, one.Swept = *c.TDCDeg, c.TDCU95Deg, true
		}
		tops = append(tops, one)
	}
	slices.SortStableFunc(tops, func(a, b turnTop) int { return a.N - b.N })
	return tops
}

// dialSVG is a zero-centred scale of ±10° about the target, seen as the wheel
// turns: the hand comes from the side that running direction comes from.
func dialSVG(hand float64) template.HTML {
	var d drawing
	d.add(`<svg class="dial" viewBox="-500 -330 1000 360" role="img" aria-hidden="true">`)
	for deg := -10; deg <= 10; deg++ {
		inner, class := 420.0, "tick"
		if deg%5 == 0 {
			inner, class = 400, "tick ten"
		}
		turn := hand * float64(deg) * dialStretch
		d.add(`<line class="%s" y1="%s" y2="-460" transform="translate(0 180) rotate(%s)"/>`, class, px(-inner), px(turn))
		if deg%5 == 0 {
			d.add(`<text class="deg" text-anchor="middle" y="-366" transform="translate(0 180) rotate(%s)">%s</text>`, px(turn), signed(float64(deg), 0))
		}
	}
	d.add(`<path class="aim" d="M0 -290l-16 -34h32z"/><g id="dial-hand" transform="translate(0 180)"><line y1="-250" y2="-456"/></g></svg>`)
	return template.HTML(d.String())
}

const dialStretch = 4.5 // a degree of crank on the dial's face
