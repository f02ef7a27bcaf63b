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
	var r calibrate.Result
	if err := json.Unmarshal(src, &r); err != nil || r.Schema != calibrate.ResultSchema {
		return nil, fmt.Errorf("%s: no calibration; give what `crownmark calibrate FILE.csv --json` wrote", path)
	}
	c := calibrate.Correction(r.Correction)
	if err := c.Check(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
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
