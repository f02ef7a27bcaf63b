package fit

import (
	"fmt"
	"math"
	"strings"
)

// Explain tells an index document as a person would say it, line by line: each
// cylinder's number with its doubt, where that comes from, what parabola and
// chord say beside it, then what was found of the bench, then what to do.
// Details are indented by two blanks; an empty line parts the subjects.
func Explain(x Index) []string {
	out := []string{fmt.Sprintf("%s, compared with cylinder %d. Every ± covers 95 %%.", x.Engine, x.ReferenceCylinder)}
	if x.Simulated {
		out = append(out, "SIMULATED: no engine was measured.")
	}
	if x.Status != "ok" {
		out = append(out, "No result: "+x.Status+".")
	}
	for _, c := range x.Cylinders {
		out = append(out, "")
		out = append(out, explainCylinder(x, c)...)
	}
	if x.CommonZeroDeg != nil {
		out = append(out, "", "The crank against the best common zero, where most throws agree:")
		out = append(out, indented(explainCommon(x))...)
	}
	out = append(out, "", "The bench itself:")
	out = append(out, indented(explainBench(x))...)
	if len(x.Advice) > 0 {
		out = append(out, "", "To do next:")
		out = append(out, indented(x.Advice)...)
	}
	return out
}

func indented(lines []string) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = "  " + l
	}
	return out
}

func explainCylinder(x Index, c Cylinder) []string {
	out := []string{headline(x, c)}
	var more []string
	if c.IndexErrorDeg != nil && c.ThrowErrorDeg != nil && c.Number != x.ReferenceCylinder {
		verdict := c.Verdict
		if verdict == Undecided {
			verdict = "undecided against"
		}
		more = append(more, fmt.Sprintf("Its throw error is %s°: %s the limit of ±%g°.", WithDoubt(c.ThrowErrorDeg, c.ThrowU95Deg), verdict, x.IndexLimitDeg))
	}
	if len(c.Budget) > 0 {
		more = append(more, "The doubt comes, worst first, from:")
		more = append(more, indented(BudgetWords(c.Budget))...)
	}
	more = append(more, explainBeside(c)...)
	if c.StrokeSeenMM != nil {
		more = append(more, StrokeWords(c))
	}
	if c.TiltDeg != nil {
		more = append(more, TiltWords(c))
	}
	if len(c.Flags) > 0 && c.TDCDeg != nil {
		more = append(more, "Flags: "+strings.Join(c.Flags, ", ")+".")
	}
	return append(out, indented(more)...)
}

// explainCommon says what the throws look like without the reference's own error,
// and what is the crank's and what the block's.
func explainCommon(x Index) []string {
	words := CommonWords(x)
	out := []string{strings.ToUpper(words[:1]) + words[1:] + "."}
	for _, c := range x.Cylinders {
		if c.FromCommonDeg != nil {
			out = append(out, fmt.Sprintf("Cylinder %d: %s°, %s mm at the crankpin; %s.", c.Number, WithDoubt(c.FromCommonDeg, c.FromCommonU95Deg), WithDoubt(c.CrankpinMM, c.CrankpinU95MM), CommonLateWords(c)))
		}
	}
	for _, p := range x.Pins {
		out = append(out, fmt.Sprintf("Pin of cylinders %s: %s.", numbersWords(p.Cylinders), PinWords(p)))
		for _, a := range p.Apart {
			out = append(out, fmt.Sprintf("On that pin, %s.", ApartWords(a)))
		}
	}
	for i, b := range x.Banks {
		line := fmt.Sprintf("Bank %s: %s° on the mean", b.Name, WithDoubt(b.MeanDeg, b.MeanU95Deg))
		if i > 0 {
			line += "; " + BankWords(b, x.Banks[0].Name)
		}
		out = append(out, line+".")
	}
	return out
}

func numbersWords(n []int) string {
	return strings.Trim(strings.ReplaceAll(fmt.Sprint(n), " ", ", "), "[]")
}

func headline(x Index, c Cylinder) string {
	who := fmt.Sprintf("Cylinder %d", c.Number)
	switch {
	case c.TDCDeg == nil:
		return who + " has no top yet: " + strings.Join(c.Flags, ", ") + "."
	case c.Number == x.ReferenceCylinder:
		return fmt.Sprintf("%s, the reference, has its top at %s° of the encoder.", who, strings.TrimPrefix(WithDoubt(c.TDCDeg, c.TDCU95Deg), "+"))
	case c.IndexErrorDeg == nil || c.IndexU95Deg == nil:
		return fmt.Sprintf("%s has its top at %s° of the encoder; no index error is issued: %s.", who, strings.TrimPrefix(WithDoubt(c.TDCDeg, c.TDCU95Deg), "+"), strings.Join(c.Flags, ", "))
	}
	late, u95 := *c.IndexErrorDeg, *c.IndexU95Deg
	if math.Abs(late) < u95 {
		return fmt.Sprintf("%s is on time within its doubt: index error %s°.", who, WithDoubt(&late, &u95))
	}
	way, size := "late", math.Abs(late)
	if late < 0 {
		way = "early"
	}
	return fmt.Sprintf("%s reaches its top %s° %s.", who, strings.TrimPrefix(WithDoubt(&size, &u95), "+"), way)
}

// leastShare: a budget line with less of the variance than this is not told.
const leastShare = 0.0005

// BudgetWords says each line of a budget with its part of the variance, as far
// as it counts: "rod length: 52 % of the variance, 0.004° standard (143.5 mm ± 0.2 mm; engine file)".
func BudgetWords(budget []Share) []string {
	var sum float64
	for _, b := range budget {
		sum += b.UDeg * b.UDeg
	}
	var out []string
	var rest float64
	for _, b := range budget {
		part := b.UDeg * b.UDeg / sum
		if !(part >= leastShare) {
			rest++
			continue
		}
		out = append(out, fmt.Sprintf("%s: %s %% of the variance, %s° standard (%s; %s)", b.Source, percent(part), plain(b.UDeg), b.Size, b.HowKnown))
	}
	if rest > 0 {
		out = append(out, fmt.Sprintf("%g more, each under 0.05 %%", rest))
	}
	return out
}

// percent prints a part of 1 as per cent: whole from 10 on, else one decimal.
func percent(part float64) string {
	if part >= 0.0995 {
		return fmt.Sprintf("%.0f", 100*part)
	}
	return fmt.Sprintf("%.1f", 100*part)
}

// explainBeside says how parabola and chord compare with the crank model.
func explainBeside(c Cylinder) []string {
	var out []string
	for _, b := range []struct {
		method         string
		top, u95, bias *float64
	}{
		{"parabola through the dwell", c.ParabolaTDCDeg, c.ParabolaU95Deg, c.ParabolaBiasDeg},
		{"chord between equal heights", c.ChordTDCDeg, c.ChordU95Deg, c.ChordBiasDeg},
	} {
		if b.top == nil || c.TDCDeg == nil {
			continue
		}
		apart := fold180(*b.top - *c.TDCDeg)
		words := "agree within that doubt"
		if b.u95 != nil && math.Abs(apart) > *b.u95 {
			words = "differ beyond that doubt"
		}
		way, size := "after", math.Abs(apart)
		if apart < 0 {
			way = "before"
		}
		out = append(out, fmt.Sprintf("A %s puts the top %s° %s the crank model's: they %s.%s", b.method, strings.TrimPrefix(WithDoubt(&size, b.u95), "+"), way, words, biasWords(b.bias)))
	}
	return out
}

// biasWords says what the geometry made a method miss the top by.
func biasWords(bias *float64) string {
	if bias == nil {
		return ""
	}
	return fmt.Sprintf(" (The geometry alone makes it miss by %s°; that is taken out.)", Signed(*bias, 4))
}

// StrokeWords says the travel that the indicator showed, beside the engine file's.
func StrokeWords(c Cylinder) string {
	if c.StrokeSeenMM == nil || c.StrokeSeenRatio == nil {
		return ""
	}
	d := 3
	if c.StrokeSeenU95MM != nil {
		d = Digits(*c.StrokeSeenU95MM)
	}
	return fmt.Sprintf("The indicator showed a stroke of %.*f ± %.*f mm, %.4f of what the engine file says; a leaning probe stretches it.", d, *c.StrokeSeenMM, d, deref(c.StrokeSeenU95MM), *c.StrokeSeenRatio)
}

// TiltWords says how far the probe leans.
func TiltWords(c Cylinder) string {
	if c.TiltDeg == nil {
		return ""
	}
	return fmt.Sprintf("The probe leans about %.0f° from the bore, if the crown is flat there; that does not move the top.", *c.TiltDeg)
}

func deref(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}

func priorWords(from string) string {
	switch from {
	case priorDeclared:
		return "from the bench file"
	case priorArrivals:
		return "assumed, with what the lumps add in which its readings came"
	}
	return "assumed, as the bench file says nothing"
}

func explainBench(x Index) []string {
	var out []string
	for _, s := range x.Bench.Streams {
		way := "after"
		if s.LatencyMS < 0 {
			way = "before"
		}
		out = append(out, fmt.Sprintf("Indicator %q speaks %.1f ± %.1f ms %s the encoder (beforehand %.1f ± %.1f ms, %s).", s.Indicator, math.Abs(s.LatencyMS), s.LatencyU95MS, way,
			s.PriorMS, s.PriorU95MS, priorWords(s.PriorFrom)))
	}
	if x.Bench.LashDeg != nil {
		out = append(out, fmt.Sprintf("Between crank and encoder is a lash of %s°.", strings.TrimPrefix(WithDoubt(x.Bench.LashDeg, x.Bench.LashU95Deg), "+")))
	}
	closure := "Closure "
	if x.ClosureDeg != nil {
		closure += WithDoubt(x.ClosureDeg, x.ClosureU95Deg) + "°, "
	}
	out = append(out, closure+ClosureWords(x)+".")
	for _, m := range x.Marks {
		out = append(out, fmt.Sprintf("Damper mark %g°: %s.", m.MarkDeg, MarkWords(m)))
	}
	return out
}
