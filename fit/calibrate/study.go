package calibrate

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
)

// StudyRow is one value of a gauge study.
type StudyRow struct {
	Part     string  // what was measured: of the true top, a cylinder
	Person   string  // who measured it
	Mount    string  // the encoder's mounting, in which the person measured all parts; counted for each person
	Repeat   string  // within the mounting
	ValueDeg float64 // degrees of crank
}

// StudyOptions say what the study is held against.
type StudyOptions struct {
	IndexLimitDeg float64 // the shop's limit, ±; 0: none
}

// StudyResult is a gauge study of the true top. Unknown is null. Standard
// deviations are in degrees of crank.
type StudyResult struct {
	Schema  string `json:"schema"`
	Parts   int    `json:"parts"`
	People  int    `json:"people"`
	Mounts  int    `json:"mounts"`  // of each person
	Repeats int    `json:"repeats"` // within each mounting
	Values  int    `json:"values"`

	MeanDeg float64    `json:"mean_deg"`
	Anova   []AnovaRow `json:"anova"`

	Components []Component `json:"components"`

	// Repeatability: sweeps repeated without touching anything. Reproducibility:
	// people and mountings. Gauge: both. Part: the parts themselves. Total: all.
	RepeatabilityDeg   *Bounded `json:"repeatability_deg"`
	ReproducibilityDeg *Bounded `json:"reproducibility_deg"`
	GaugeDeg           *Bounded `json:"gauge_deg"`
	PartDeg            *Bounded `json:"part_deg"`
	TotalDeg           *Bounded `json:"total_deg"`

	GaugeOfTotalPercent     *Bounded `json:"gauge_of_total_percent"`     // 100·gauge/total
	GaugeOfTolerancePercent *Bounded `json:"gauge_of_tolerance_percent"` // 100·6·gauge/(2·index limit)
	Categories              *Bounded `json:"categories"`                 // parts that can be told apart: 1.41·part/gauge

	IndexLimitDeg *float64 `json:"index_limit_deg"`
	Notes         []string `json:"notes"` // what could not be told, in words
	Rule          string   `json:"rule"`  // how the intervals are made, in words
}

// Bounded is a value that lies in Low…High with 95 %. High is null where no
// bound could be given.
type Bounded struct {
	Value float64  `json:"value"`
	Low   float64  `json:"low"`
	High  *float64 `json:"high"`
}

// Width tells how finely the value may be printed: how far its nearer bound is
// away.
func (b Bounded) Width() float64 {
	if b.High == nil || b.Value-b.Low < *b.High-b.Value && b.Value > b.Low {
		return b.Value - b.Low
	}
	return *b.High - b.Value
}

// AnovaRow is one source of the analysis of variance.
type AnovaRow struct {
	Source     string  `json:"source"`
	SquaresDeg float64 `json:"squares_deg2"`
	DOF        int     `json:"dof"`
	MeanDeg    float64 `json:"mean_square_deg2"`
}

// Component is one source's standard deviation. Zeroed: its variance came out
// below zero, which is none.
type Component struct {
	Source string   `json:"source"`
	Deg    *Bounded `json:"deg"`
	Zeroed bool     `json:"zeroed"`
}

// A shop's index limit lies between these, degrees.
const (
	leastLimitDeg = 1e-6
	mostLimitDeg  = 360
)

// studySchema names the document's form.
const studySchema = "crownmark-study-1"

// errUnequal is what no study is made of.
var errUnequal = errors.New("give every person every part in as many mountings, each with as many repeats")

// studyCells are a balanced study: parts, people, mountings in people, repeats.
type studyCells struct {
	p, o, m, r int
	v          []float64 // by part, person, mounting, repeat
}

func (c *studyCells) at(p, o, m, r int) float64 { return c.v[((p*c.o+o)*c.m+m)*c.r+r] }

// Study analyses a balanced gauge study with random parts p, people o, mountings
// m within a person (each over all parts) and repeats r:
//
//	y = μ + part + person + mounting(person) + part×person + part×mounting(person) + repeat
//
// Variance components are those combinations of mean squares whose expectation they
// are (studyterms.go); below zero counts as zero and is said. What the design has no
// freedom for is null and stays in the next lower source. Intervals: see intervals.
// The error says which value is missing, double or not finite, or that the limit
// is none.
func Study(rows []StudyRow, o StudyOptions) (StudyResult, error) {
	if l := o.IndexLimitDeg; l != 0 && !(l >= leastLimitDeg && l <= mostLimitDeg) {
		return StudyResult{}, fmt.Errorf("the index limit is %g°; give degrees of crank from %g to %d, such as 0.5, or none", l, leastLimitDeg, mostLimitDeg)
	}
	c, err := layStudy(rows)
	if err != nil {
		return StudyResult{}, err
	}
	s := StudyResult{Schema: studySchema, Parts: c.p, People: c.o, Mounts: c.m, Repeats: c.r, Values: len(c.v), Notes: []string{}, Rule: studyRule}
	for _, v := range c.v {
		s.MeanDeg += v / float64(len(c.v))
	}
	if o.IndexLimitDeg > 0 {
		s.IndexLimitDeg = &o.IndexLimitDeg
	}
	table := c.anova()
	for _, t := range table {
		if t.dof > 0 {
			s.Anova = append(s.Anova, AnovaRow{t.source, t.squares, t.dof, t.mean()})
		}
	}
	s.fill(table, c)
	return s, nil
}

// studyRule is English for people.
const studyRule = "Each value lies within its bounds with 95 %: all mean squares are drawn 5,000 times as the readings leave them possible, and every figure is made of each draw."

// StudyWords say what a study's figures are, English for people.
const StudyWords = "Repeatability: swept again, nothing touched. Reproducibility: another person, mounted anew. Gauge: both. Parts told apart: 1.41 × parts ÷ gauge, how many groups the measurement can tell."

// layStudy sorts the rows into cells.
func layStudy(rows []StudyRow) (c studyCells, err error) {
	parts := names(rows, func(r StudyRow) string { return r.Part })
	people := names(rows, func(r StudyRow) string { return r.Person })
	if len(parts) < 2 {
		return c, fmt.Errorf("%d part(s): a study needs two or more, or nothing shows what the values must tell apart; %w", len(parts), errUnequal)
	}
	mounts, repeats := layMounts(rows)
	c.p, c.o, c.m, c.r = len(parts), len(people), len(mounts[people[0]]), 0
	for _, all := range repeats {
		c.r = max(c.r, len(all))
	}
	if err := c.room(len(rows)); err != nil {
		return c, err
	}
	partAt, personAt, mountAt, repeatAt := places(parts), places(people), placesOf(mounts), placesOf(repeats)
	for _, row := range rows {
		at := studyCell{row.Part, row.Person, row.Mount}
		p, o, m, r := partAt[row.Part], personAt[row.Person], mountAt[row.Person][row.Mount], repeatAt[at][row.Repeat]
		switch i := ((p*c.o+o)*c.m+m)*c.r + r; {
		case m >= c.m:
			return c, fmt.Errorf("%s has %d mountings, %s %d; %w", row.Person, len(mounts[row.Person]), people[0], c.m, errUnequal)
		case math.IsNaN(row.ValueDeg) || math.IsInf(row.ValueDeg, 0):
			return c, fmt.Errorf("%s, repeat %s: the value is not finite; %w", at, row.Repeat, errUnequal)
		case !math.IsNaN(c.v[i]):
			return c, fmt.Errorf("%s, repeat %s: there are two values; %w", at, row.Repeat, errUnequal)
		default:
			c.v[i] = row.ValueDeg
		}
	}
	return c, c.whole(parts, people, mounts)
}

// room makes the empty cells. A few values strewn over a vast design are told
// before any room is made for it.
func (c *studyCells) room(values int) error {
	const vast = 1 << 20
	if n := float64(c.p) * float64(c.o) * float64(c.m) * float64(c.r); n > float64(max(values, vast)) {
		return fmt.Errorf("parts %d, people %d, mountings %d, repeats %d need %.0f values, and %d are there; %w", c.p, c.o, c.m, c.r, n, values, errUnequal)
	}
	if c.o*c.m*c.r < 2 {
		return fmt.Errorf("every part has one value: a study needs repeats, mountings or people, two of something; %w", errUnequal)
	}
	c.v = make([]float64, c.p*c.o*c.m*c.r)
	for i := range c.v {
		c.v[i] = math.NaN()
	}
	return nil
}

// places says where in a list each name stands.
func places(list []string) map[string]int {
	at := make(map[string]int, len(list))
	for i, name := range list {
		at[name] = i
	}
	return at
}

func placesOf[K comparable](lists map[K][]string) map[K]map[string]int {
	at := make(map[K]map[string]int, len(lists))
	for k, list := range lists {
		at[k] = places(list)
	}
	return at
}

// whole says where a value is missing.
func (c *studyCells) whole(parts, people []string, mounts map[string][]string) error {
	for i, v := range c.v {
		if !math.IsNaN(v) {
			continue
		}
		k := i / c.r
		person := people[k/c.m%c.o]
		if m := k % c.m; m >= len(mounts[person]) {
			return fmt.Errorf("%s has %d mountings, %s %d; %w", person, len(mounts[person]), people[0], c.m, errUnequal)
		}
		at := studyCell{parts[k/c.m/c.o], person, mounts[person][k%c.m]}
		return fmt.Errorf("%s: repeat %d of %d is missing; %w", at, i%c.r+1, c.r, errUnequal)
	}
	return nil
}

// studyCell is one part in one mounting.
type studyCell struct{ part, person, mount string }

// String names a cell for people.
func (a studyCell) String() string {
	return fmt.Sprintf("part %s, person %s, mounting %s", a.part, a.person, a.mount)
}

// layMounts gives each person's mountings and each cell's repeats, in order.
func layMounts(rows []StudyRow) (mounts map[string][]string, repeats map[studyCell][]string) {
	mounts, repeats = map[string][]string{}, map[studyCell][]string{}
	for _, r := range rows {
		mounts[r.Person] = append(mounts[r.Person], r.Mount)
		at := studyCell{r.Part, r.Person, r.Mount}
		repeats[at] = append(repeats[at], r.Repeat)
	}
	for k, m := range mounts {
		mounts[k] = ordered(m)
	}
	for k, r := range repeats {
		repeats[k] = ordered(r)
	}
	return mounts, repeats
}

// byNumber puts 2 before 10, and names in alphabetical order.
func byNumber(a, b string) int {
	return cmp.Or(cmp.Compare(len(a)*digitsOnly(a), len(b)*digitsOnly(b)), cmp.Compare(a, b))
}

func digitsOnly(s string) int {
	for _, c := range s {
		if c < '0' || c > '9' {
			return 0
		}
	}
	return 1
}

// names are the different names in a column, in order.
func names(rows []StudyRow, of func(StudyRow) string) (out []string) {
	for _, r := range rows {
		out = append(out, of(r))
	}
	return ordered(out)
}

// ordered are the different ones of a list, in order.
func ordered(list []string) []string {
	slices.SortFunc(list, byNumber)
	return slices.Compact(list)
}
