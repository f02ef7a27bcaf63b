package main

import (
	"fmt"
	"io"
	"maps"
	"slices"

	"crownmark/acquire/virtual"
	"crownmark/fit/calibrate"
	"crownmark/fit/pointcsv"
)

// faultFlags are how virtual indicators show heights wrongly. With any of them
// the sweeps say what the display shows on the resting stop.
type faultFlags struct {
	ScaleError   *size             `placeholder:"SHARE" help:"An indicator's error of scale: 0.02 shows 10.2 for 10."`
	BumpMM       *size             `placeholder:"SIZE" help:"A local error of an indicator, 1 to 3 mm wide, somewhere in its travel."`
	HysteresisMM *size             `placeholder:"SIZE" help:"What an indicator shows more moving out than moving in."`
	ZeroMM       *size             `placeholder:"SIZE" help:"What its display shows on the top of each placement."`
	Points       map[string]string `placeholder:"NAME=FILE" help:"Also hold that indicator against gauge blocks and write the points."`
}

func (f faultFlags) faults(d virtual.Disturbances) virtual.Disturbances {
	for flag, to := range map[*size]*virtual.Range{f.ScaleError: &d.ScaleError, f.BumpMM: &d.BumpMM, f.HysteresisMM: &d.HysteresisMM, f.ZeroMM: &d.ZeroMM} {
		if flag != nil {
			*to = virtual.Range(*flag)
		}
	}
	return d
}

func (f faultFlags) check() error {
	if s := f.ScaleError; s != nil && !(s.Lo > -0.5 && s.Hi < 0.5) {
		return fmt.Errorf("--scale-error: %g..%g is no indicator's: write a share such as 0.02", s.Lo, s.Hi)
	}
	if s := f.HysteresisMM; s != nil && s.Lo < 0 {
		return fmt.Errorf("--hysteresis-mm: %g is below nothing: write 0 or more", s.Lo)
	}
	return nil
}

func faulty(t virtual.Truth) bool {
	return slices.ContainsFunc(t.Indicators, func(i virtual.Indicator) bool { return i.Faulty() })
}

// blockRuns and blockStepMM are how a virtual indicator is calibrated.
const (
	blockRuns   = 3
	blockStepMM = 0.5
)

// writePoints holds indicators against virtual gauge blocks.
func (f faultFlags) writePoints(t virtual.Truth) error {
	for _, name := range slices.Sorted(maps.Keys(f.Points)) {
		points, err := blockPoints(t, name)
		if err != nil {
			return err
		}
		if err := toFile(f.Points[name], nil, func(w io.Writer) error { return pointcsv.Write(w, points) }); err != nil {
			return err
		}
	}
	return nil
}

func blockPoints(t virtual.Truth, indicator string) (out []calibrate.Point, err error) {
	list, err := t.Blocks(indicator, blockRuns, blockStepMM)
	for _, b := range list {
		out = append(out, calibrate.Point{Run: b.Run, Direction: calibrate.Direction(b.Direction), ReferenceMM: b.ReferenceMM, ReadingMM: b.ReadingMM})
	}
	return out, err
}
