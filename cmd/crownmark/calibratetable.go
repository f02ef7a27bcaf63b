package main

import (
	"bufio"
	"fmt"
	"io"
	"math"

	"crownmark/fit"
	"crownmark/fit/calibrate"
)

// writeCalibration tells a calibration's result as text, in micrometres.
func writeCalibration(w io.Writer, r calibrate.Result) error {
	b := bufio.NewWriter(w)
	runs := "runs"
	if r.Runs == 1 {
		runs = "run"
	}
	fmt.Fprintf(b, "%d points in %d %s. Error = reading − reference; a correction is added to the reading. Doubts are 95 %%.\n", len(r.Points), r.Runs, runs)
	characteristicTable(b, r)
	correctionTable(b, r)
	budgetTable(b, r)
	list(b, "Warnings", r.Warnings)
	if r.Rule != "" {
		list(b, "How to read it", []string{r.Rule})
	}
	return b.Flush()
}

func characteristicTable(w io.Writer, r calibrate.Result) {
	fmt.Fprintln(w, "\nCharacteristics, in µm")
	t := columns(w)
	fmt.Fprintln(t, "characteristic\tvalue\tdoubt ±\tlimit\tverdict\t")
	for _, c := range r.Characteristics() {
		limit, verdict := "—", "—"
		if v, ok := r.Limits[c.Name]; ok {
			limit, verdict = fmt.Sprintf("%.4g", v*1000), r.Verdict[c.Name]
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t\n", c.Name, micrometres(c.ValueMM, c.U95MM), micrometres(c.U95MM, c.U95MM), limit, verdict)
	}
	t.Flush()
	fmt.Fprintf(w, "local: inside any %g mm", r.LocalSpanMM)
	if r.Overall != "" {
		fmt.Fprintf(w, "; overall: %s", r.Overall)
	}
	fmt.Fprintln(w)
}

func correctionTable(w io.Writer, r calibrate.Result) {
	fmt.Fprintln(w, "\nCorrection, to be added to the reading")
	t := columns(w)
	fmt.Fprintln(t, "reading mm\tcorrection µm\tdoubt ± µm\tup to the next ± µm\t")
	for _, k := range r.Correction {
		digits := fit.Digits(k.U95MM * 1000)
		fmt.Fprintf(t, "%.*f\t%s\t%s\t%s\t\n", 3+digits, k.ReadingMM, fit.Signed(k.CorrectionMM*1000, digits), micrometres(&k.U95MM, &k.U95MM), micrometres(k.BetweenU95MM, k.BetweenU95MM))
	}
	t.Flush()
	fmt.Fprintln(w, "Between two of these readings the correction runs straight; “up to the next” is its doubt anywhere there.")
}

func budgetTable(w io.Writer, r calibrate.Result) {
	if len(r.Budget) == 0 {
		return
	}
	fmt.Fprintln(w, "\nBudget of one corrected reading, standard uncertainties")
	t := columns(w)
	fmt.Fprintln(t, "source\tsize\thow known\tµm\t")
	squares := 0.0
	for _, l := range r.Budget {
		squares += l.UMM * l.UMM
		fmt.Fprintf(t, "%s\t%s\t%s\t%.2g\t\n", l.Source, l.Size, l.HowKnown, l.UMM*1000)
	}
	together := math.Sqrt(squares) * 1000
	fmt.Fprintf(t, "together\t±%.2g µm with k = 2\t\t%.2g\t\n", 2*together, together)
	t.Flush()
}

// micrometres of millimetres with the digits that a doubt leaves; a dash where
// unknown.
func micrometres(mm, u95MM *float64) string {
	if mm == nil || u95MM == nil {
		return "—"
	}
	return fmt.Sprintf("%.*f", fit.Digits(*u95MM*1000), *mm*1000)
}
