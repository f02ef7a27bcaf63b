package dashboards

import (
	"html/template"
	"strings"
	"unicode"
	"unicode/utf8"

	"crownmark/fit/calibrate"
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
	case calibrate.Pass, standingInForce:
		d.mark("within", 0, 0, 6.5)
	case calibrate.ConditionalPass:
		d.circle("v open", 0, 0, 6.5)
	case calibrate.ConditionalFail, standingExpired:
		d.path("v openbad", "M0 -7.5l7.8 13.4h-15.6z")
	case calibrate.Fail, standingFailed:
		d.mark("outside", 0, 0, 6.5)
	case standingDueSoon:
		d.mark("undecided", 0, 0, 6.5)
	default:
		d.path("v none", "M-6 -6h12v12h-12z")
	}
	d.add(`</svg>`)
	return template.HTML(d.String())
}

// How an instrument of the register stands.
const (
	standingNone    = "none"
	standingInForce = "in_force"
	standingDueSoon = "due_soon"
	standingExpired = "expired"
	standingFailed  = "failed"
)

func standingWords(state string) string {
	switch state {
	case standingInForce:
		return "in force"
	case standingDueSoon:
		return "in force, due soon"
	case standingExpired:
		return "expired"
	case standingFailed:
		return "failed"
	}
	return "never calibrated"
}

// standings are all of them.
func standings() []string {
	return []string{standingInForce, standingDueSoon, standingExpired, standingFailed, standingNone}
}

// standingMeans says what each claims.
func standingMeans(state string) string {
	switch state {
	case standingInForce:
		return "calibrated, not failed, and not due yet"
	case standingDueSoon:
		return "the same, but due within 30 days"
	case standingExpired:
		return "its calibration was due; figures made since say so"
	case standingFailed:
		return "its latest calibration found it beyond a limit; figures made before may have been wrong already"
	}
	return "in the register, but no certificate was issued"
}

// schemeWords name how a calibration's points are laid.
func schemeWords(scheme string) string {
	switch scheme {
	case "iso463":
		return "ISO 463, dial"
	case "iso13102":
		return "ISO 13102, digital"
	case "jis-b7503":
		return "JIS B 7503"
	case "asme-b89":
		return "ASME B89.1.10M"
	case "own":
		return "points of one’s own"
	}
	return "not said"
}

// kindWords name a kind of instrument.
func kindWords(kind string) string {
	switch kind {
	case "indicator":
		return "indicator"
	case "encoder":
		return "encoder"
	case "blocks":
		return "gauge blocks"
	case "head":
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

// characteristicsOf lists a result's characteristics in the order of a certificate.
func characteristicsOf(r calibrate.Result) (list []characteristic) {
	for _, c := range []characteristic{
		{Key: calibrate.Total, Name: "Total error", Means: "highest less lowest error, all runs, both ways", MM: r.ErrorTotalMM, U95MM: r.ErrorTotalU95MM},
		{Key: calibrate.Local, Name: "Local error", Means: "the same within the local span", MM: r.ErrorLocalMM, U95MM: r.ErrorLocalU95MM},
		{Key: calibrate.Hysteresis, Name: "Hysteresis", Means: "largest difference of moving out and moving in at one point of a run", MM: r.HysteresisMM, U95MM: r.HysteresisU95MM},
		{Key: calibrate.Repeatability, Name: "Repeatability", Means: "highest less lowest reading at the repeated point", MM: r.RepeatabilityMM, U95MM: r.RepeatabilityU95MM},
		{Key: calibrate.Linearity, Name: "Linearity", Means: "highest less lowest error about the straight line that fits best", MM: r.LinearityMM, U95MM: r.LinearityU95MM},
	} {
		if limit, ok := r.Limits[c.Key]; ok {
			c.LimitMM = &limit
		}
		c.Verdict = r.Verdict[c.Key]
		if c.MM != nil || c.LimitMM != nil {
			list = append(list, c)
		}
	}
	return list
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
