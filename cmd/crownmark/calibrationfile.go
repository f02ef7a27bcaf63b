package main

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"crownmark/fit"
	"crownmark/fit/calibrate"
)

// mostCalibration bounds a result of `calibrate --json`, in bytes.
const mostCalibration = 64 << 20

// readCalibration reads what `calibrate --json` wrote.
func readCalibration(path string) (*fit.Correction, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, cannotRead(path, err)
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, mostCalibration))
	if err != nil {
		return nil, cannotRead(path, err)
	}
	var r struct {
		Schema     string      `json:"schema"`
		Correction []knotInput `json:"correction"`
	}
	if err := json.Unmarshal(src, &r); err != nil || r.Schema != calibrate.ResultSchema {
		return nil, fmt.Errorf("%s: no calibration; give what `crownmark calibrate FILE.csv --json` wrote", path)
	}
	c, err := correctionOf(r.Correction)
	if err == nil {
		err = c.Check()
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

// knotInput is a calibrate.Knot of which it is seen what is missing.
type knotInput struct {
	ReadingMM    *float64 `json:"reading_mm"`
	CorrectionMM *float64 `json:"correction_mm"`
	U95MM        *float64 `json:"u95_mm"`
	BetweenU95MM *float64 `json:"between_u95_mm"`
}

// correctionOf is what the fit takes of a calibration. What is missing is not 0:
// a doubt that nobody knows would be none.
func correctionOf(list []knotInput) (*fit.Correction, error) {
	knots := make([]calibrate.Knot, 0, len(list))
	for i, k := range list {
		if k.ReadingMM == nil || k.CorrectionMM == nil || k.U95MM == nil || k.BetweenU95MM == nil && i < len(list)-1 {
			return nil, fmt.Errorf("point %d of the correction is not whole; give the file as `crownmark calibrate --json` wrote it", i+1)
		}
		knots = append(knots, calibrate.Knot{ReadingMM: *k.ReadingMM, CorrectionMM: *k.CorrectionMM, U95MM: *k.U95MM, BetweenU95MM: k.BetweenU95MM})
	}
	return calibrate.Correction(knots), nil
}

// correct gives sweeps the calibrations of the bench file and those named on
// the command line, which win. A name that no sweep has is refused there. Sweeps
// that name no indicator were made with the only one.
func (c fitCmd) correct(sweeps []fit.Sweep, b benchFile) error {
	known := map[string]*fit.Correction{}
	for _, i := range b.Indicator {
		if i.Calibration == "" {
			continue
		}
		var err error
		if known[i.Name], err = readCalibration(b.beside(i.Calibration)); err != nil {
			return err
		}
	}
	if only, ok := known[b.onlyIndicator()]; ok {
		known[""] = only
	}
	names := map[string]bool{}
	for _, s := range sweeps {
		names[s.Indicator] = true
	}
	for _, name := range slices.Sorted(maps.Keys(c.Calibration)) {
		of := name
		if !names[of] && len(names) == 1 && names[""] {
			of = ""
		}
		if !names[of] {
			return fmt.Errorf("--calibration %s: no sweep was made with that indicator; the file has %s", name, strings.Join(slices.Sorted(maps.Keys(names)), ", "))
		}
		var err error
		if known[of], err = readCalibration(c.Calibration[name]); err != nil {
			return err
		}
	}
	for i := range sweeps {
		sweeps[i].Correction = known[sweeps[i].Indicator]
	}
	return nil
}

// beside is a file that a bench file names: in its folder unless absolute.
func (b benchFile) beside(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(b.path), path)
}

// onlyIndicator is the name of a bench's only indicator, "" of several.
func (b benchFile) onlyIndicator() string {
	if len(b.Indicator) == 1 {
		return b.Indicator[0].Name
	}
	return ""
}
