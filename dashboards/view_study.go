package dashboards

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

// studyView is the page of a gauge study: who measured what, how far it
// agrees, and each value.
type studyView struct {
	Asked   studyAsked
	Picks   []link // jobs of the chosen engine, or the newest of all
	Trouble *Problem
	Doc     *studyDoc // nil: nothing is chosen, or Trouble
	Rows    []boundedRow
	Sources []boundedRow
	Agree   string // how far anybody's index error agrees with anybody's, 95 %
	AgreeTo string // bounds of that
	Plot    template.HTML
}

// boundedRow is a figure with its bounds, as people read it.
type boundedRow struct {
	Words, Value, Low, High, Unit string
	Zeroed                        bool
}

func (s *Server) studyPage(w http.ResponseWriter, r *http.Request) error {
	v := studyView{}
	status := http.StatusOK
	var err error
	if v.Asked, err = studyAskedOf(r.URL.Query()); err == nil && len(v.Asked.Jobs) > 0 {
		var d studyDoc
		if d, err = s.study(r.Context(), v.Asked); err == nil {
			v.Doc = &d
		}
	}
	if err != nil {
		p := problemOf(err)
		if p.Status >= http.StatusInternalServerError {
			return err
		}
		v.Trouble, status = p, p.Status
	}
	jobs, err := s.allJobs(r.Context())
	if err != nil {
		return err
	}
	v.pick(jobs)
	if v.Doc != nil {
		v.fill(s.sayer(r))
	}
	return s.render(w, r, status, "study", frame{Title: "Gauge study", Here: "jobs", Page: &v, Simulated: v.Doc != nil && v.Doc.Simulated})
}

const studyPicks = 40

// pick lists jobs to be taken in: once one is, only those of the same engine.
func (v *studyView) pick(jobs []store.Job) {
	engine := ""
	for _, j := range jobs {
		if len(v.Asked.Jobs) > 0 && j.ID == v.Asked.Jobs[0] {
			engine = j.Engine.Name
		}
	}
	for _, j := range slices.Backward(jobs) {
		chosen := slices.Contains(v.Asked.Jobs, j.ID)
		if !chosen && (engine != "" && j.Engine.Name != engine || len(v.Picks) >= studyPicks) {
			continue
		}
		v.Picks = append(v.Picks, link{fmt.Sprintf("job-%d", j.ID), v.Asked.toggled(j.ID), j.Name, fmt.Sprint(chosen)})
	}
}

// toggled is the page with a job taken in at the end, or out with its person.
func (a studyAsked) toggled(job int64) string {
	to := studyAsked{}
	for i, id := range a.Jobs {
		if id == job {
			continue
		}
		to.Jobs = append(to.Jobs, id)
		if i < len(a.People) {
			to.People = append(to.People, a.People[i])
		}
	}
	if !slices.Contains(a.Jobs, job) {
		to.Jobs = append(to.Jobs, job)
	}
	if len(to.Jobs) == 0 {
		return "/study"
	}
	return "/study?" + to.query()
}

func (a studyAsked) query() string {
	query := "jobs=" + joined(a.Jobs)
	if strings.Join(a.People, "") != "" {
		query += "&people=" + url.QueryEscape(strings.Join(a.People, ","))
	}
	return query
}

// JobsText are the jobs as the address has them.
func (a studyAsked) JobsText() string { return joined(a.Jobs) }

// fill writes the study's figures out.
func (v *studyView) fill(say sayer) {
	v.Plot = studySVG(*v.Doc, say)
	study := v.Doc.Study
	if study == nil {
		return
	}
	for _, c := range study.Components {
		row := boundsOf(studySource(c.Source), c.Deg, "°")
		row.Zeroed = c.Zeroed
		v.Sources = append(v.Sources, row)
	}
	v.Rows = []boundedRow{
		boundsOf("Repeatability: swept again, nothing touched", study.RepeatabilityDeg, "°"),
		boundsOf("Reproducibility: another person, mounted anew", study.ReproducibilityDeg, "°"),
		boundsOf("Gauge: both", study.GaugeDeg, "°"),
		boundsOf("The cylinders themselves", study.PartDeg, "°"),
		boundsOf("Gauge of all that varies", study.GaugeOfTotalPercent, " %"),
		boundsOf("Six times the gauge, of the width between the limits", study.GaugeOfTolerancePercent, " %"),
		boundsOf("Classes of cylinders that can be told apart", study.Categories, ""),
	}
	if g := study.GaugeDeg; g != nil {
		agree := boundsOf("", &calibrate.Bounded{Value: z95 * g.Value, Low: z95 * g.Low, High: times95(g.High)}, "°")
		v.Agree, v.AgreeTo = agree.Value, say("between %s and %s", agree.Low, agree.High)
	}
}

// studySource names a source by what the parts of a job are.
func studySource(source string) string { return strings.Replace(source, "part", "cylinder", 1) }

const z95 = 1.96 // half the width that holds 95 % of normal values, in standard deviations

func times95(v *float64) *float64 {
	if v == nil {
		return nil
	}
	w := z95 * *v
	return &w
}

// boundsOf prints a figure as finely as its bounds tell it.
func boundsOf(words string, b *calibrate.Bounded, unit string) boundedRow {
	if b == nil {
		return boundedRow{Words: words, Value: "—", Low: "—", High: "—"}
	}
	d := fit.Digits(b.Width())
	row := boundedRow{Words: words, Value: signed(b.Value, d) + unit, Low: signed(b.Low, d) + unit, High: "—", Unit: unit}
	if b.High != nil {
		row.High = signed(*b.High, d) + unit
	}
	return row
}
