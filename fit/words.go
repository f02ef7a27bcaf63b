package fit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// plain prints a number with up to three significant figures.
func plain(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }

// Digits is how many decimals print u95 with two significant figures (JCGM 100,
// 7.2.6), between 0 and 4.
func Digits(u95 float64) int {
	if !(u95 > 0) || math.IsInf(u95, 0) {
		return 3
	}
	d := 1 - int(math.Floor(math.Log10(u95)))
	if math.Round(u95*math.Pow10(d)) >= 100 { // 0.0996 prints as 0.10
		d--
	}
	return min(max(d, 0), 4)
}

// WithDoubt prints value ± u95 with matching digits and a signed value, e.g.
// "+1.498 ± 0.009". A value of nil is "—".
func WithDoubt(value, u95 *float64) string {
	if value == nil {
		return "—"
	}
	if u95 == nil {
		return Signed(*value, 3)
	}
	d := Digits(*u95)
	return fmt.Sprintf("%s ± %.*f", Signed(*value, d), d, *u95)
}

// Signed prints with d decimals and a sign, "+1.50" or "−0.30", and zero without.
func Signed(v float64, d int) string {
	s := fmt.Sprintf("%+.*f", d, v)
	if strings.Trim(s, "+-0.") == "" {
		return fmt.Sprintf("%.*f", d, 0.0)
	}
	return strings.Replace(s, "-", "−", 1)
}

// LateWords says an index error in words: "1.50° late", "0.32° early", "on time".
func LateWords(errorDeg, u95 float64) string {
	d := Digits(u95)
	switch {
	case math.Abs(errorDeg) < u95:
		return "on time within its doubt"
	case errorDeg > 0:
		return fmt.Sprintf("%.*f° late", d, errorDeg)
	}
	return fmt.Sprintf("%.*f° early", d, -errorDeg)
}

// TrimWords says a trim as set, in words: "retard 1.5°", "advance 0.3°", "leave".
func TrimWords(trimSetDeg float64) string {
	switch {
	case trimSetDeg < 0:
		return fmt.Sprintf("retard %s°", plain(-trimSetDeg))
	case trimSetDeg > 0:
		return fmt.Sprintf("advance %s°", plain(trimSetDeg))
	}
	return "leave as it is"
}

// WayWords says which way a sweep was turned: +1 in running direction, −1
// against it, 0 not known.
func WayWords(direction int) string {
	switch {
	case direction > 0:
		return "forward"
	case direction < 0:
		return "turning back"
	}
	return "—"
}

// ClosureFailed says whether the reference, swept again, came back beyond its doubt.
func (x Index) ClosureFailed() bool {
	return x.ClosureDeg != nil && x.ClosureU95Deg != nil && math.Abs(*x.ClosureDeg) > *x.ClosureU95Deg
}

// ClosureWords says what the reference's second sweep proved.
func ClosureWords(x Index) string {
	switch {
	case x.ClosureDeg == nil:
		return "not made: sweep the reference again at the end, to prove that the encoder did not slip"
	case x.ClosureFailed():
		return "beyond its doubt: the encoder slipped or lost counts; no verdict and no trim is issued"
	}
	return "within its doubt: the encoder held"
}

// markDoubtMostDeg: with more doubt than this a mark error says nothing.
const markDoubtMostDeg = 2.0

// MarkWords says what a mark error means at the timing light and on the rim.
func MarkWords(m MarkError) string {
	if m.ErrorDeg == nil {
		return "not known yet"
	}
	e := *m.ErrorDeg
	switch {
	case m.U95Deg != nil && *m.U95Deg > markDoubtMostDeg:
		return "cannot be told yet: the doubt is larger than any mark's error; finish the sweeps first"
	case math.Abs(e) > wrongCylinderDeg:
		return "too far off for this mark: another mark stood under the pointer, or another cylinder's top was swept as the reference's"
	case m.U95Deg != nil && math.Abs(e) < *m.U95Deg:
		return "the mark tells the truth within its doubt"
	}
	early := "too early"
	if e < 0 {
		early = "too late"
	}
	s := fmt.Sprintf("lines up %.1f° %s: light shows 10, real is %.1f; for a real 10 make it show %.1f", math.Abs(e), early, 10+e, 10-e)
	if m.RimMM != nil {
		way, cut := "in", "behind"
		if e < 0 {
			way, cut = "against", "ahead of"
		}
		s += fmt.Sprintf("; move the pointer %.1f mm %s running direction, or cut a new zero %.1f mm %s the old one", math.Abs(*m.RimMM), way, math.Abs(*m.RimMM), cut)
	}
	return s
}

// SignNotes are the sign conventions in words, to be shown beside the numbers.
func SignNotes() []string {
	return []string{
		"Index error: + means that piston reaches its top late; a spark timed from the nominal top is then over-advanced by that much.",
		"Throw error: the index error less what the pin offsets do; what the grinder needs. Bank angle and bore position cannot be told from it.",
		"Trim: what to add to that cylinder's commanded advance so that 10° asked is 10° delivered; minus retards.",
		"Mark error: + means the mark lines up too early; the real advance is more than a timing light shows.",
		"First set the base timing by the mark error, for all cylinders; then the trims.",
		"Tops are static, cold, plugs out; running tops may differ by 0.1° to 0.3°.",
	}
}

// Cautions are shown in the program and in reports.
func Cautions() []string {
	return []string{
		"Battery disconnected, ignition and fuel disabled, plugs out, out of gear. Never use the starter with a probe, bar or wheel on the engine.",
		"Keep hands, hair and cables clear of belts and fan.",
		"Stop at any hard point: valves can meet pistons, above all with the cam drive off or mistimed.",
		"Keep reverse sweeps small where the maker forbids turning back.",
		"Withdraw the probe before turning through; set a travel limit below the indicator's range.",
		"After any change to marks or trims verify with a timing light at idle, then load gently and listen for knock: a wrong sign can destroy pistons.",
		"The program advises; the maker's data, local rules and a qualified tuner decide.",
	}
}
