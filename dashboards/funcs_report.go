package dashboards

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/dashboards/report"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// reportFuncs are what the report's template needs beside the pages' own.
func reportFuncs() template.FuncMap {
	return template.FuncMap{
		"when":     whenText,
		"numbers":  func(n []int) string { return strings.Trim(strings.ReplaceAll(fmt.Sprint(n), " ", ", "), "[]") },
		"ids":      func(n []int64) string { return strings.Trim(strings.ReplaceAll(fmt.Sprint(n), " ", ", "), "[]") },
		"day":      func(t time.Time) string { return t.UTC().Format(time.DateOnly) },
		"wayWords": fit.WayWords, "causeWords": acquire.CauseWords,
		"runs": runsText, "back": turnBackWord,
		"papers": func() []string { return papers }, "temperatures": func() []int { return []int{10, 15, 18, 20, 22, 25, 30} },
		"ringsSaid": func() []string { return report.RingsSaid }, "endsSaid": func() []string { return report.EndsSaid },
	}
}

// whenText is a moment that reads the same in every language.
func whenText(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") + " UTC" }

func turnBackWord(e engine.Engine) string {
	switch e.TurnBack {
	case "forbidden":
		return "forbidden"
	case "small":
		return "a little only"
	}
	return "allowed"
}

// Measured is from when to when the sweeps were made; "": none.
func (v reportView) Measured() string {
	var from, to time.Time
	for _, w := range v.Sweeps {
		if from.IsZero() || w.BegunAt.Before(from) {
			from = w.BegunAt
		}
		if w.EndedAt != nil && w.EndedAt.After(to) {
			to = *w.EndedAt
		}
	}
	switch {
	case from.IsZero():
		return ""
	case to.Before(from):
		return whenText(from)
	}
	return spanText(from, to)
}

// spanText is from when to when.
func spanText(from, to time.Time) string {
	if from.UTC().Format(time.DateOnly) == to.UTC().Format(time.DateOnly) {
		return from.UTC().Format("2006-01-02 15:04") + to.UTC().Format("–15:04") + " UTC"
	}
	return whenText(from) + " – " + whenText(to)
}

// Declared is what the bench file declared of an instrument.
func (r instrumentRow) Declared() []string {
	s := r.Settings
	if s.Kind == acquire.KindIndicator || r.Kind == string(acquire.KindIndicator) {
		out := []string{fmt.Sprintf("step %g mm", s.ResolutionMM)}
		if s.LatencyOpen {
			return append(out, "delay not declared")
		}
		return append(out, fmt.Sprintf("delay %g ms, standard %g ms", s.LatencyMS, s.LatencyUMS))
	}
	out := []string{"degrees"}
	if s.CountsPerRev > 0 {
		out = []string{fmt.Sprintf("%g counts a turn", s.CountsPerRev)}
	}
	for _, u := range []struct {
		name string
		u    *float64
	}{{"eccentricity", s.EccentricityUDeg}, {"accuracy", s.AccuracyUDeg}} {
		if u.u == nil {
			out = append(out, u.name+" not declared")
		} else {
			out = append(out, fmt.Sprintf("%s %g° standard", u.name, *u.u))
		}
	}
	return out
}
