package dashboards

import (
	"html/template"
	"math"
	"strconv"
	"time"

	"crownmark/fit"
)

// registerFuncs are what the pages of the register, of calibrations and of
// certificates need beside the others' own.
func registerFuncs(d display) template.FuncMap {
	p := calPlot{inch: d.Length == "in"}
	_, unit := p.units()
	return template.FuncMap{
		"smallUnit": func() string { return unit },
		"small": func(mm *float64, decimals int) string {
			if mm == nil {
				return "—"
			}
			return p.smallText(*mm, decimals)
		},
		"smallPlus":  p.smallPlus,
		"smallField": p.smallField, "placeField": p.placeField,
		"day":      func(t time.Time) string { return t.UTC().Format(time.DateOnly) },
		"calShape": calShape, "calVerdict": calVerdictWords, "calVerdictMeans": calVerdictMeans,
		"kindWords": kindWords, "wayOfPoint": wayOfPoint, "schemeWords": schemeWords,
		"chartWords":  chartWords,
		"runsOffered": func() []int { return []int{1, 2, 3} }, "warmths": func() []int { return []int{18, 19, 20, 21, 22, 24} },
		"isTrue": func(v *bool) bool { return v != nil && *v }, "sentence": wholeSentence, "standings": standings, "standingWords": standingWords, "standingMeans": standingMeans,
	}
}

// smallPlus is an error with its sign.
func (p calPlot) smallPlus(mm float64) string {
	decimals := 1
	if p.inch {
		decimals = 0
	}
	return fit.Signed(p.small(mm), decimals)
}

// smallField is what a field of the form holds.
func (p calPlot) smallField(mm *float64) string {
	if mm == nil {
		return ""
	}
	return plainNumber(p.small(*mm))
}

// placeField is a length as a field holds it; 0 is not said.
func (p calPlot) placeField(mm float64) string {
	if mm == 0 {
		return ""
	}
	return plainNumber(p.large(mm))
}

// plainNumber has six digits that count, and none for show.
func plainNumber(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	shift := math.Pow10(5 - int(math.Floor(math.Log10(math.Abs(v)))))
	return strconv.FormatFloat(math.Round(v*shift)/shift, 'f', -1, 64)
}
