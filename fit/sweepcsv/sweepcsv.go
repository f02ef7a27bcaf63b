// Package sweepcsv reads and writes recorded sweeps as CSV, one row a reading:
//
//	sweep,cylinder,t_s,angle_deg,height_mm,indicator,mount,setup,zeroing,reclock_deg
//
// t_s is the arrival time in seconds (or, of instruments that tell their own
// time, that time, on the same clock; then arrival_s is the arrival), angle_deg degrees of crank in running
// direction, height_mm (or height_in, 1 in = 25.4 mm) grows as the piston
// rises. A row without a height is an encoder-only row: it belongs to its
// sweep or, where sweep and cylinder are empty, to every sweep of its mount.
// rest_mm is what the display shows on the plunger's resting stop, the same on
// all heights of a sweep: a calibration is looked up by it. Exports add count, raw, arrival_s, burst, simulated and zero_on.
package sweepcsv

import (
	"crownmark/fit"
	"crownmark/fit/csvrow"
)

// Column names. Their order in a file is free.
const (
	colSweep     = "sweep"
	colCylinder  = "cylinder"
	colTime      = "t_s"
	colAngle     = "angle_deg"
	colHeightMM  = "height_mm"
	colHeightIn  = "height_in"
	colIndicator = "indicator"
	colMount     = "mount"
	colSetup     = "setup"
	colZeroing   = "zeroing"
	colCount     = "count"
	colRaw       = "raw"
	colArrival   = "arrival_s" // empty: t_s is the arrival
	colBurst     = "burst"
	colSimulated = "simulated"
	colAngleU    = "angle_u_deg" // standard uncertainty of an angle read off a mark with the crank at rest; empty: an encoder's
	colReclock   = "reclock_deg" // how far the encoder's adapter has been turned on the crank since the first mount
	colRest      = "rest_mm"
	colZeroOn    = "zero_on" // "deck": the display was zeroed on the block's deck
)

// mmPerInch is exact by definition.
const mmPerInch = 25.4

// File is what a sweep file holds.
type File struct {
	Sweeps    []fit.Sweep // by sweep number
	Warnings  []string    // columns and sweeps that were left out, and why
	Simulated bool        // a row of the file says that it is simulated
}

// Row is one row of a file. Nil, 0 for a number and "" are empty cells.
type Row struct {
	Sweep     *int64 // nil only on encoder-only rows that serve every sweep of their mount
	Cylinder  *int
	TS        float64 // seconds
	AngleDeg  *float64
	HeightMM  *float64 // nil: encoder-only row
	Indicator string
	Mount     int
	Setup     int
	Zeroing   int
	Simulated bool
	// ReclockDeg is how far the encoder's adapter stands turned on the crank
	// against the first mount, in running direction; nil: nobody said.
	ReclockDeg *float64
	// AngleUDeg is the standard uncertainty of an angle that was read off a mark
	// with the crank at rest; nil: it is an encoder's.
	AngleUDeg *float64
	// RestMM is what the display shows on the plunger's resting stop in this
	// zeroing; nil: not known. Written only by a Writer with rest.
	RestMM *float64

	// Written only where the Writer was made with extra.
	Count    *int64   // raw encoder count
	Raw      string   // the line as it came
	ArrivalS *float64 // nil: TS is the arrival
	Burst    int      // position within one read of the port; 0 where TS is not the arrival
	ZeroOn   string   // "deck" or ""
}

// Error is a cell, a row or a file that cannot be used.
type Error = csvrow.Error
