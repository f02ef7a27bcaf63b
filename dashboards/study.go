package dashboards

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"crownmark/fit/calibrate"
	"crownmark/store"
)

// studyAsked is what a gauge study is asked for.
type studyAsked struct {
	Jobs   []int64
	People []string // of the jobs, in their order; "" or too few: as the job's report says
}

const (
	mostStudied = 12 // jobs at once: each of their sets of sweeps is fitted by itself
	mostName    = 60 // letters of a person's name
)

// studyAskedOf reads a study from a query; every fault is told.
func studyAskedOf(q url.Values) (a studyAsked, err error) {
	var faults []Fault
	for key, values := range q {
		switch key {
		case "jobs":
			if a.Jobs, err = idsOf(strings.Join(values, ",")); err == nil && len(a.Jobs) > mostStudied {
				err = fmt.Errorf("%d are more than %d", len(a.Jobs), mostStudied)
			}
			if err != nil {
				faults = append(faults, Fault{"?jobs", err.Error(), "such as ?jobs=3,4,5"})
			}
		case "people":
			for _, name := range strings.Split(strings.Join(values, ","), ",") {
				a.People = append(a.People, strings.TrimSpace(name))
			}
			if slices.ContainsFunc(a.People, func(name string) bool { return len([]rune(name)) > mostName }) {
				faults = append(faults, Fault{"?people", "a name is too long", "such as ?people=A,B,A: one for each job, in their order"})
			}
		default:
			faults = append(faults, Fault{"?" + key, "unknown key", "known keys: jobs, people"})
		}
	}
	if len(a.People) > len(a.Jobs) && len(faults) == 0 {
		faults = append(faults, Fault{"?people", "more people than jobs", "such as ?people=A,B,A: one for each job, in their order"})
	}
	if len(faults) > 0 {
		slices.SortFunc(faults, func(a, b Fault) int { return strings.Compare(a.Pointer, b.Pointer) })
		return a, invalid(faults...)
	}
	return a, nil
}

// Where a person's name is from.
const (
	fromAddress = "address"
	fromReport  = "report"
	fromOrder   = "order" // nobody said: a letter
)

// studiedJob is one person's set.
type studiedJob struct {
	Job        int64  `json:"job"`
	Name       string `json:"name"`
	Simulated  bool   `json:"simulated"`
	Person     string `json:"person"`
	PersonFrom string `json:"person_from"`
	Mounts     int    `json:"mounts"`
	Sets       int    `json:"sets"`            // complete sets of sweeps, all mountings
	Spare      int    `json:"sweeps_left_out"` // beyond the last complete set of their mounting

	engine, stage string
	values        []setValue
}

// studyValue is one value of a study. Unused: the design had no room for it.
type studyValue struct {
	Job      int64   `json:"job"`
	Part     int     `json:"part"`
	Person   string  `json:"person"`
	Mount    int     `json:"mount"`
	Repeat   int     `json:"repeat"`
	ValueDeg float64 `json:"value_deg"`
	Used     bool    `json:"used"`
}

// studyDoc is a gauge study of the true top out of the store.
type studyDoc struct {
	Simulated bool                   `json:"simulated"`
	Reference *int                   `json:"reference_cylinder"`
	Jobs      []studiedJob           `json:"jobs"`
	Values    []studyValue           `json:"values"` // index errors, by part, person, mounting
	Unused    int                    `json:"unused"`
	Study     *calibrate.StudyResult `json:"study"` // null: Why
	Why       *string                `json:"why"`

	limitDeg float64 // of the first job
}

// study makes the values and their analysis of the jobs asked for: every complete
// set of sweeps of a mounting is fitted by itself.
func (s *Server) study(ctx context.Context, a studyAsked) (d studyDoc, err error) {
	d.Jobs, d.Values = []studiedJob{}, []studyValue{}
	for i, id := range a.Jobs {
		job, err := s.store.Job(ctx, id)
		if err != nil {
			return d, fmt.Errorf("job %d: %w", id, err)
		}
		j := studiedJob{Job: id, Name: job.Name, Simulated: job.Simulated, engine: job.Engine.Name, stage: job.Stage}
		if j.Person, j.PersonFrom, err = s.studiedBy(ctx, a, i); err != nil {
			return d, err
		}
		if err := s.studyJob(ctx, &j); err != nil {
			return d, inJob(id, err)
		}
		if reference := job.Engine.ReferenceCylinder; d.Reference == nil {
			d.Reference, d.limitDeg = &reference, job.Engine.IndexLimitDeg
		} else if *d.Reference != reference || j.engine != d.Jobs[0].engine {
			return d, invalid(Fault{"?jobs", fmt.Sprintf("job %d is another engine than job %d", id, d.Jobs[0].Job), "take jobs of one engine with one reference cylinder: the same crank, measured again"})
		}
		d.Simulated = d.Simulated || job.Simulated
		d.Jobs = append(d.Jobs, j)
	}
	d.gather()
	d.analyse()
	return d, nil
}

// studiedBy says who made the i-th job: as the address says, else as its
// latest reports say, else a letter.
func (s *Server) studiedBy(ctx context.Context, a studyAsked, i int) (name, from string, err error) {
	if i < len(a.People) && a.People[i] != "" {
		return a.People[i], fromAddress, nil
	}
	issued, err := store.All(func(p store.Page) ([]store.Report, *int64, error) { return s.store.Reports(ctx, a.Jobs[i], p) })
	if err != nil {
		return "", "", fmt.Errorf("reports of job %d: %w", a.Jobs[i], err)
	}
	names, err := s.measuredBy(ctx, issued)
	if err != nil {
		return "", "", err
	}
	if len(names) > 0 {
		return names[0], fromReport, nil
	}
	return letter(i), fromOrder, nil
}

// gather lays the jobs' values out: of several jobs of one person the mountings
// are counted on.
func (d *studyDoc) gather() {
	mounts := map[string]int{}
	for _, j := range d.Jobs {
		before := mounts[j.Person]
		for _, v := range j.values {
			mounts[j.Person] = max(mounts[j.Person], before+v.mount)
			d.Values = append(d.Values, studyValue{j.Job, v.cylinder, j.Person, before + v.mount, v.repeat, v.deg, true})
		}
	}
	slices.SortStableFunc(d.Values, func(a, b studyValue) int {
		if a.Part != b.Part {
			return a.Part - b.Part
		}
		return strings.Compare(a.Person, b.Person)
	})
	d.balance()
}

// balance leaves out what goes beyond a design that every person has in full:
// cylinders that were not measured each time, the last mountings and repeats.
func (d *studyDoc) balance() {
	type mounting struct {
		person string
		mount  int
	}
	sets, mounts, all := map[mounting]int{}, map[string]int{}, map[int]int{}
	for _, v := range d.Values {
		at := mounting{v.Person, v.Mount}
		sets[at], mounts[v.Person] = max(sets[at], v.Repeat), max(mounts[v.Person], v.Mount)
		all[v.Part]++
	}
	if len(d.Values) == 0 {
		return
	}
	most, fewestMounts, fewestSets := 0, mostCompared, mostCompared
	for _, n := range all {
		most = max(most, n)
	}
	for _, n := range mounts {
		fewestMounts = min(fewestMounts, n)
	}
	for at, n := range sets {
		if at.mount <= fewestMounts {
			fewestSets = min(fewestSets, n)
		}
	}
	for i := range d.Values {
		v := &d.Values[i]
		if v.Used = all[v.Part] == most && v.Mount <= fewestMounts && v.Repeat <= fewestSets; !v.Used {
			d.Unused++
		}
	}
}

// rows are the values that are used.
func (d *studyDoc) rows() (rows []calibrate.StudyRow) {
	for _, v := range d.Values {
		if v.Used {
			rows = append(rows, calibrate.StudyRow{Part: fmt.Sprint(v.Part), Person: v.Person, Mount: fmt.Sprint(v.Mount), Repeat: fmt.Sprint(v.Repeat), ValueDeg: v.ValueDeg})
		}
	}
	return rows
}

// analyse makes the study of them.
func (d *studyDoc) analyse() {
	study, err := calibrate.Study(d.rows(), calibrate.StudyOptions{IndexLimitDeg: d.limitDeg})
	if err != nil {
		why := whyNoStudy(d)
		d.Why = &why
		return
	}
	if slices.ContainsFunc(d.Jobs, func(j studiedJob) bool { return j.stage != d.Jobs[0].stage }) {
		study.Notes = append(study.Notes, stagesDiffer)
	}
	d.Study = &study
}

// stagesDiffer is English for people.
const stagesDiffer = "The jobs are of different stages: what was done to the crank between them counts as the gauge's."

// whyNoStudy is English for people.
func whyNoStudy(d *studyDoc) string {
	parts := map[int]bool{}
	for _, v := range d.Values {
		parts[v.Part] = true
	}
	switch {
	case len(d.Values) == 0:
		return "No set of sweeps is complete: a set is the reference and the other cylinders, each swept both ways."
	case len(parts) < 2:
		return "Only one cylinder was swept beside the reference: a study needs two or more."
	}
	return "Everything was measured once: a study needs people, mountings or repeats, two of something."
}

// studyJob fits each complete set of a job's sweeps.
func (s *Server) studyJob(ctx context.Context, j *studiedJob) error {
	in, revision, err := s.store.Input(ctx, j.Job)
	if err != nil {
		return err
	}
	sets, spare := setsOf(in)
	j.Spare = spare
	for _, set := range sets {
		j.Mounts = max(j.Mounts, set.mount)
	}
	j.Sets = len(sets)
	j.values, err = s.sets.of(j.Job, revision, func() ([]setValue, error) { return s.fitSets(j.Job, in, sets) })
	return err
}
