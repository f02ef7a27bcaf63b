package dashboards

import (
	"html/template"
	"strings"
	"unicode"
	"unicode/utf8"

	"crownmark/fit/calibrate"
	"crownmark/store"
)

// calVerdictWords say a verdict of a calibration, ILAC-G8.
func calVerdictWords(verdict string) string {
	switch verdict {
	case calibrate.Pass:
		return "pass"
	case calibrate.ConditionalPass:
		return "conditional pass"
	case calibrate.ConditionalFail:
		return "conditional fail"
	case calibrate.Fail:
		return "fail"
	}
	return "not judged"
}

// calVerdictMeans says what a verdict claims.
func calVerdictMeans(verdict string) string {
	switch verdict {
	case calibrate.Pass:
		return "within its limit, with all of its doubt"
	case calibrate.ConditionalPass:
		return "within its limit, but the doubt reaches beyond it"
	case calibrate.ConditionalFail:
		return "beyond its limit, but the doubt reaches back within"
	case calibrate.Fail:
		return "beyond its limit, with all of its doubt"
	}
	return "no limit was set for it"
}

// calShape draws a verdict or a standing: what is proven is filled, what is not
// is open; good is round, bad a triangle, in between a diamond, unknown a square.
func calShape(of string) template.HTML {
	var d drawing
	d.add(`<svg class="shape" viewBox="-10 -10 20 20" aria-hidden="true">`)
	switch of {
	case calibrate.Pass, store.StandingInForce:
		d.mark("within", 0, 0, 6.5)
	case calibrate.ConditionalPass:
		d.circle("v open", 0, 0, 6.5)
	case calibrate.ConditionalFail, store.StandingExpired:
		d.path("v openbad", "M0 -7.5l7.8 13.4h-15.6z")
	case calibrate.Fail, store.StandingFailed:
		d.mark("outside", 0, 0, 6.5)
	case store.StandingDueSoon:
		d.mark("undecided", 0, 0, 6.5)
	default:
		d.path("v none", "M-6 -6h12v12h-12z")
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

// standingWords say how an instrument of the register stands.
func standingWords(state string) string {
	switch state {
	case store.StandingInForce:
		return "in force"
	case store.StandingDueSoon:
		return "in force, due soon"
	case store.StandingExpired:
		return "expired"
	case store.StandingFailed:
		return "failed"
	}
	return "never calibrated"
}

// standings are all of them.
func standings() []string {
	return []string{store.StandingInForce, store.StandingDueSoon, store.StandingExpired, store.StandingFailed, store.StandingNone}
}

// standingMeans says what each claims.
func standingMeans(state string) string {
	switch state {
	case store.StandingInForce:
		return "calibrated, not failed, and not due yet"
	case store.StandingDueSoon:
		return "the same, but due within 30 days"
	case store.StandingExpired:
		return "its calibration was due; figures made since say so"
	case store.StandingFailed:
		return "its latest calibration found it beyond a limit; figures made before may have been wrong already"
	}
	return "in the register, but no certificate was issued"
}

// schemeWords name how a calibration's points are laid.
func schemeWords(scheme string) string {
	switch scheme {
	case calibrate.SchemeISO463:
		return "ISO 463, dial"
	case calibrate.SchemeISO13102:
		return "ISO 13102, digital"
	case calibrate.SchemeJISB7503:
		return "JIS B 7503"
	case calibrate.SchemeASMEB89:
		return "ASME B89.1.10M"
	case calibrate.SchemeOwn:
		return "points of one’s own"
	}
	return "not said"
}

// kindWords name a kind of instrument.
func kindWords(kind string) string {
	switch kind {
	case store.RegisterIndicator:
		return "indicator"
	case store.RegisterEncoder:
		return "encoder"
	case store.RegisterBlocks:
		return "gauge blocks"
	case store.RegisterHead:
		return "micrometer head"
	}
	return "no reference named"
}

// wayOfPoint says how the plunger comes to a point.
func wayOfPoint(way calibrate.Direction) string {
	switch way {
	case calibrate.Up:
		return "moving in"
	case calibrate.Down:
		return "moving out"
	}
	return "anew, moving in"
}

// characteristic is one row of what a calibration found.
type characteristic struct {
	Key, Name, Means string
	MM, U95MM        *float64
	LimitMM          *float64
	Verdict          string
}

// characteristicsOf lists a result's characteristics that were found or are limited.
func characteristicsOf(r calibrate.Result) (list []characteristic) {
	for _, x := range r.Characteristics() {
		c := characteristic{Key: x.Name, MM: x.ValueMM, U95MM: x.U95MM, Verdict: r.Verdict[x.Name]}
		c.Name, c.Means = characteristicWords(x.Name)
		if limit, ok := r.Limits[c.Key]; ok {
			c.LimitMM = &limit
		}
		if c.MM != nil || c.LimitMM != nil {
			list = append(list, c)
		}
	}
	return list
}

func characteristicWords(key string) (name, means string) {
	switch key {
	case calibrate.Total:
		return "Total error", "highest less lowest error, all runs, both ways"
	case calibrate.Local:
		return "Local error", "the same within the local span"
	case calibrate.Hysteresis:
		return "Hysteresis", "largest difference of moving out and moving in at one point of a run"
	case calibrate.Repeatability:
		return "Repeatability", "highest less lowest reading at the repeated point"
	}
	return "Linearity", "largest deviation from the straight line that fits best"
}

// wholeSentence begins large and ends with a stop.
func wholeSentence(text string) string {
	if text == "" {
		return ""
	}
	first, size := utf8.DecodeRuneInString(text)
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return string(unicode.ToUpper(first)) + text[size:]
}
