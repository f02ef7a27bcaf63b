package dashboards

import (
	"fmt"
	"html/template"
	"math"
	"slices"

	"crownmark/fit"
)

// Sizes of the study's drawing.
const (
	studyWidth   = 720.0
	studyLeft    = 165.0
	studyRight   = 700.0
	studyHead    = 14.0
	studyMount   = 11.0 // between two mountings of a person
	studyPerson  = 26.0 // of a person at least
	studyBetween = 14.0 // between two parts
)

// studyLine is one mounting: its repeats on one line.
type studyLine struct {
	part          int
	person        string
	deg           []float64
	used          []bool
	first, opener bool // of its person, of its part
}

// studySVG draws every value by its distance from its cylinder's mean: a row a
// cylinder, in it a row a person, in it a line a mounting that joins its repeats.
func studySVG(d studyDoc, say sayer) template.HTML {
	if len(d.Values) == 0 {
		return ""
	}
	lines, reach := studyLines(d.Values)
	x := scale{-reach, reach, studyLeft, studyRight}
	height := studyHead
	places := make([]float64, len(lines))
	for i, l := range lines {
		switch {
		case l.opener && i > 0:
			height += studyBetween + studyPerson
		case l.first && i > 0:
			height += studyPerson
		case i > 0:
			height += studyMount
		}
		places[i] = height + studyPerson/2
	}
	bottom := places[len(lines)-1] + studyPerson/2
	var p drawing
	p.begin("study", studyWidth, bottom+56, say("every value of the study by cylinder, person and mounting, from its cylinder’s mean"))
	step := niceStep(2 * reach / 6)
	for _, v := range ticks(-reach, reach, 6) {
		p.line("grid", x.at(v), studyHead, x.at(v), bottom)
		p.text("soft", "middle", x.at(v), bottom+22, fit.Signed(v, decimalsOf(step)))
	}
	p.line("zero", x.at(0), studyHead, x.at(0), bottom)
	p.text("soft", "end", studyRight, bottom+48, say("degrees from the cylinder’s mean"))
	for i, l := range lines {
		p.studyLine(l, x, places[i])
	}
	p.add(`</svg>`)
	return template.HTML(p.String())
}

func decimalsOf(step float64) int { return max(0, -int(math.Floor(math.Log10(step)+1e-9))) }

func (p *drawing) studyLine(l studyLine, x scale, y float64) {
	if l.opener {
		p.text("name", "start", 8, y+5, fmt.Sprint(l.part))
	}
	if l.opener && y > studyHead+studyPerson {
		p.line("part", 8, y-studyPerson/2-studyBetween/2, studyRight, y-studyPerson/2-studyBetween/2)
	}
	if l.first {
		p.text("soft", "end", studyLeft-14, y+5, shortName(l.person))
	}
	lo, hi := slices.Min(l.deg), slices.Max(l.deg)
	p.line("mounting", x.at(lo), y, x.at(hi), y)
	for i, deg := range l.deg {
		class := "pt"
		if !l.used[i] {
			class = "out"
		}
		p.circle(class, x.at(deg), y, 4)
	}
}

// shortName fits beside the drawing.
func shortName(name string) string {
	if r := []rune(name); len(r) > 10 {
		return string(r[:9]) + "…"
	}
	return name
}

// studyLines lays the values out by part, person, mounting, and says how far
// from their part's mean they reach.
func studyLines(values []studyValue) (lines []studyLine, reach float64) {
	sum, n := map[int]float64{}, map[int]float64{}
	for _, v := range values {
		sum[v.Part], n[v.Part] = sum[v.Part]+v.ValueDeg, n[v.Part]+1
	}
	for i, v := range values {
		deg := v.ValueDeg - sum[v.Part]/n[v.Part]
		reach = max(reach, 1.15*math.Abs(deg))
		before := studyValue{}
		if i > 0 {
			before = values[i-1]
		}
		opener := i == 0 || v.Part != before.Part
		first := opener || v.Person != before.Person
		if first || v.Mount != before.Mount {
			lines = append(lines, studyLine{part: v.Part, person: v.Person, first: first, opener: opener})
		}
		l := &lines[len(lines)-1]
		l.deg, l.used = append(l.deg, deg), append(l.used, v.Used)
	}
	return lines, max(reach, 1e-4)
}
