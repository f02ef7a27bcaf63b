package main

import (
	"bufio"
	"fmt"
	"io"

	"crownmark/fit/calibrate"
)

// writeCalibration tells a calibration's result as text, in micrometres.
func writeCalibration(w io.Writer, r calibrate.Result) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "%d points in %d runs. Error = reading − reference; a correction is added to the reading. Doubts are 95 %%.\n", len(r.Points), r.Runs)
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
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t\n", c.Name, micrometres(c.ValueMM, "%.4g"), micrometres(c.U95MM, "%.2g"), limit, verdict)
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
	fmt.Fprintln(t, "reading mm\tcorrection µm\tdoubt ± µm\tto the next ± µm\t")
	for _, k := range r.Correction {
		fmt.Fprintf(t, "%.4f\t%+.1f\t%.2g\t%s\t\n", k.ReadingMM, k.CorrectionMM*1000, k.U95MM*1000, micrometres(k.BetweenU95MM, "%.2g"))
	}
	t.Flush()
}

func budgetTable(w io.Writer, r calibrate.Result) {
	if len(r.Budget) == 0 {
		return
	}
	fmt.Fprintln(w, "\nBudget of one corrected reading, standard uncertainties")
	t := columns(w)
	fmt.Fprintln(t, "source\tsize\thow known\tµm\t")
	for _, l := range r.Budget {
		fmt.Fprintf(t, "%s\t%s\t%s\t%.2g\t\n", l.Source, l.Size, l.HowKnown, l.UMM*1000)
	}
	t.Flush()
}

// micrometres of millimetres; a dash where unknown.
func micrometres(mm *float64, form string) string {
	if mm == nil {
		return "—"
	}
	return fmt.Sprintf(form, *mm*1000)
}
