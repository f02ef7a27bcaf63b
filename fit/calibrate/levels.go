package calibrate

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Occasion is a short set of readings of one artefact on one day (or at one
// remount): its mean, its standard deviation, and of how many readings.
type Occasion struct {
	Artefact string // what was measured, with which instrument: what must not be pooled as one
	Run      int    // weeks or months apart
	Mean, SD float64
	N        int
}

// Level is one level's pooled standard deviation. Low and High hold it with 95 %
// (χ²). Unit: that of the readings.
type Level struct {
	SD   float64 `json:"sd"`
	DOF  int     `json:"dof"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// LevelsResult are the three levels of a nested design: within an occasion,
// between the occasions of a run, between runs. Unknown is null: one occasion a
// run, or one run.
type LevelsResult struct {
	Level1 *Level `json:"level_1"`
	Level2 *Level `json:"level_2"`
	Level3 *Level `json:"level_3"`
	// Single is the standard deviation of a single reading on one occasion,
	// √(s3² + s2²·(K−1)/K + s1²·(J−1)/J) with J readings an occasion and K occasions
	// a run; what is null in it counts as none.
	Single float64 `json:"single"`
}

// errLevels is what no levels can be made of.
var errLevels = errors.New("give every artefact as many runs, every run as many occasions, every occasion as many readings (two or more)")

// Levels pools the standard deviations of a balanced nested design. The error
// says what is missing.
//
// Source: NIST/SEMATECH e-Handbook 2.4.3 and 2.4.4: level 1 pools the occasions' own standard
// deviations; level 2 those of the occasions' means about their run's mean; level
// 3 those of the runs' means about their artefact's mean.
func Levels(of []Occasion) (r LevelsResult, err error) {
	if len(of) == 0 {
		return r, fmt.Errorf("no occasions; %w", errLevels)
	}
	within := make([]pooled, 0, len(of))
	byRun := newGroups("occasions")
	for _, o := range of {
		if o.N < 2 || o.N != of[0].N || !(o.SD >= 0) {
			return r, fmt.Errorf("%s, run %d: %d readings with standard deviation %g; %w", o.Artefact, o.Run, o.N, o.SD, errLevels)
		}
		within = append(within, pooled{o.SD * o.SD * float64(o.N-1), o.N - 1})
		byRun.add(runPlace{o.Artefact, o.Run}, o.Mean)
	}
	means, between, err := byRun.pool()
	if err != nil {
		return r, err
	}
	byArtefact := newGroups("runs")
	for i, at := range byRun.order {
		byArtefact.add(runPlace{artefact: at.artefact}, means[i])
	}
	_, apart, err := byArtefact.pool()
	if err != nil {
		return r, err
	}
	r.Level1, r.Level2, r.Level3 = pool(within), pool(between), pool(apart)
	r.Single = math.Sqrt(r.Level3.square(1) + r.Level2.square(len(byRun.of[byRun.order[0]])) + r.Level1.square(of[0].N))
	return r, nil
}

// runPlace is a run of an artefact, or with run 0 the artefact.
type runPlace struct {
	artefact string
	run      int
}

// groups are values by place, in the order they came.
type groups struct {
	name  string // of the values, in the plural
	of    map[runPlace][]float64
	order []runPlace
}

func newGroups(name string) *groups { return &groups{name: name, of: map[runPlace][]float64{}} }

func (g *groups) add(at runPlace, v float64) {
	if g.of[at] == nil {
		g.order = append(g.order, at)
	}
	g.of[at] = append(g.of[at], v)
}

// pool gives each group's mean and scatter; groups must be of one size.
func (g *groups) pool() (means []float64, p []pooled, err error) {
	for _, at := range g.order {
		if n := len(g.of[g.order[0]]); len(g.of[at]) != n {
			return nil, nil, fmt.Errorf("%s: %d %s, elsewhere %d; %w", at, len(g.of[at]), g.name, n, errLevels)
		}
		mean, scattered := scatter(g.of[at])
		means, p = append(means, mean), append(p, scattered)
	}
	return means, p, nil
}

// String names a place for people.
func (p runPlace) String() string {
	if p.run == 0 {
		return p.artefact
	}
	return fmt.Sprintf("%s, run %d", p.artefact, p.run)
}

// square is a level's share in a single reading's variance: the levels above hold
// 1/n of it already. Of the top level n is 1: it counts whole.
func (l *Level) square(n int) float64 {
	switch {
	case l == nil:
		return 0
	case n == 1:
		return l.SD * l.SD
	}
	return l.SD * l.SD * float64(n-1) / float64(n)
}

// pooled is a sum of squares and its degrees of freedom.
type pooled struct {
	squares float64
	dof     int
}

// scatter is the mean, and the sum of squares about it.
func scatter(v []float64) (mean float64, p pooled) {
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		p.squares += (x - mean) * (x - mean)
	}
	p.dof = len(v) - 1
	return mean, p
}

// pool is nil without degrees of freedom.
func pool(of []pooled) *Level {
	var sum pooled
	for _, p := range of {
		sum.squares, sum.dof = sum.squares+p.squares, sum.dof+p.dof
	}
	if sum.dof == 0 {
		return nil
	}
	chi := distuv.ChiSquared{K: float64(sum.dof)}
	return &Level{
		SD: math.Sqrt(sum.squares / float64(sum.dof)), DOF: sum.dof,
		Low: math.Sqrt(sum.squares / chi.Quantile(0.975)), High: math.Sqrt(sum.squares / chi.Quantile(0.025)),
	}
}
