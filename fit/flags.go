package fit

import "slices"

// Flags of a cylinder's row. Each is listed with its cause and its cure in
// FlagNotes.
const (
	FlagNotSwept       = "not_swept"
	FlagNoReference    = "no_reference"
	FlagNoDirection    = "no_direction"
	FlagOneWay         = "one_way_only"
	FlagUndeclared     = "encoder_undeclared"
	FlagWrongCylinder  = "wrong_cylinder"
	FlagStray          = "stray_sweep"
	FlagTwist          = "twist_suspected"
	FlagClosure        = "closure_failed"
	FlagShort          = "short_span"
	FlagMissesTop      = "window_misses_top"
	FlagUpsideDown     = "upside_down"
	FlagNoMotion       = "no_encoder_motion"
	FlagFewReadings    = "few_readings"
	FlagDisagree       = "methods_disagree"
	FlagPoorFit        = "poor_fit"
	FlagManyRejected   = "many_rejected"
	FlagScale          = "scale_unusual"
	FlagNotConverged   = "not_converged"
	FlagRodAssumed     = "rod_assumed"
	FlagOffsetAssumed  = "offset_assumed"
	FlagMountUnlinked  = "mount_unlinked"
	FlagRegripAtTop    = "regrip_near_top"
	FlagSweepsDisagree = "sweeps_disagree"
	FlagBumped         = "bumped"
	FlagCountsLost     = "counts_lost"
	FlagExpired        = "calibration_expired"
	FlagCalFailed      = "calibration_failed"
	FlagDoubted        = "calibration_doubted"
	FlagUncalibrated   = "uncalibrated"
)

// FlagNote says what raised a flag and what to do about it.
type FlagNote struct{ Flag, Cause, Cure string }

// FlagNotes lists every flag, in the order of the work.
func FlagNotes() []FlagNote {
	return []FlagNote{
		{FlagNotSwept, "No sweep of this cylinder has been recorded.", "Stand the indicator on it, select it, and sweep through the top both ways."},
		{FlagNoReference, "The reference cylinder has not been swept, so there is nothing to compare with.", "Sweep the reference cylinder."},
		{FlagNoDirection, "Running direction was not confirmed for this job; a reversed encoder would turn every trim round.", "Turn a few degrees in running direction and confirm it."},
		{FlagMountUnlinked, "The encoder was re-clocked or lost its count, and neither the reference nor a cylinder linked to it was swept since.", "Sweep the reference cylinder again in this encoder mounting."},
		{FlagShort, "A sweep turned through less than the least span and was kept but not fitted.", "Sweep through 20° or more either side of the top."},
		{FlagMissesTop, "A sweep does not reach both sides of the top, so it was not fitted.", "Start well before the top and go on well past it; check the cylinder selected."},
		{FlagUpsideDown, "A curve has a bottom where the top should be: the indicator's sign is reversed, or the piston was swept through its lower end.", "Check direction in the bench file's indicator table, and where the crank stands."},
		{FlagNoMotion, "The encoder stood still, or said nothing, while the heights changed.", "Check the encoder's coupling and its cable, then sweep again."},
		{FlagFewReadings, "Too few readings of a sweep could be used.", "Turn more slowly, or use an instrument that reads faster."},
		{FlagOneWay, "The cylinder was swept in one direction only: latency, lash and play pass for crank angle.", "Sweep back through the top; where the maker forbids turning back, make one slow and one fast sweep forward."},
		{FlagRegripAtTop, "The bar was re-gripped within 10° of the top; that can shift the crank in its bearings.", "Sweep again without a stop near the top."},
		{FlagBumped, "The indicator or its stand was knocked during a sweep: the heights have a step there, which was taken out.", "Tighten the stand and sweep again."},
		{FlagCountsLost, "The encoder lost counts during a sweep: its angle jumps there. That sweep was not fitted, and those after it need the reference swept anew.", "Tighten the coupling, look at the cable, then sweep the reference and this cylinder again."},
		{FlagManyRejected, "More than a tenth of the readings did not fit and were left out.", "Look at the residuals; check plunger, cable and stand."},
		{FlagPoorFit, "The curve scatters more than its indicator's step explains, or leaves the crank's shape.", "Check that the probe stands square and tight and that stroke and rod are right; sweep again."},
		{FlagSweepsDisagree, "Sweeps of this cylinder differ by more than their doubts; the doubt was raised to what was seen.", "Take the indicator off, place it anew and sweep again."},
		{FlagDisagree, "Parabola, chord and crank model differ beyond their doubts.", "Look at the curve: a tilted probe, play or a wrong stroke bends it."},
		{FlagScale, "Readings are stretched by more than a tilted probe on a flat crown explains (outside 0.97 to 1.12). Outside 0.5 to 2 an angle or a height is in the wrong unit: no verdict and no trim is given.", "Stand the probe parallel to the bore; check stroke_mm, the indicator's unit and the encoder's counts_per_rev."},
		{FlagRodAssumed, "The engine file gives no rod length; a ratio was assumed and its doubt is included.", "Add rod_mm to the engine file."},
		{FlagOffsetAssumed, "The engine file gives no pin offset; none was assumed and its doubt is included.", "Add pin_offset_mm to the engine file."},
		{FlagUndeclared, "The bench file does not declare the encoder's eccentricity, so the doubt excludes how it is mounted.", "Declare eccentricity_u_deg, or re-clock the encoder by 180° and 90° and sweep again."},
		{FlagTwist, "The error is over 3°: no trim is given.", "Sweep again; if it stays, suspect a twisted crank."},
		{FlagStray, "A sweep recorded as this cylinder has its top far from the cylinder's other sweeps, so it was not fitted: the indicator stood on another cylinder.", "Assign that sweep to the cylinder it belongs to, or set it aside."},
		{FlagWrongCylinder, "The top is more than 20° from nominal: most likely another cylinder was swept.", "Check which cylinder the indicator stands on and assign the sweep to it."},
		{FlagClosure, "The reference swept again at the end does not come back to where it was: the encoder slipped or lost counts.", "Tighten the encoder's coupling and sweep all cylinders again."},
		{FlagCalFailed, "The indicator's latest calibration had failed when this cylinder was swept. Peak, deck and stroke cannot be relied on; the top itself hardly feels an indicator's error.", "Repair or replace the indicator, calibrate it, and sweep again where heights count."},
		{FlagDoubted, "The indicator passed before this cylinder was swept, but failed at its next calibration: when it went wrong is not known. Peak, deck and stroke are in doubt; the top itself hardly feels an indicator's error.", "Sweep again with a calibrated indicator where heights count."},
		{FlagExpired, "The indicator's calibration was past its due date when this cylinder was swept. Peak, deck and stroke rest on it; the top itself hardly feels an indicator's error.", "Calibrate the indicator; sweep again where heights count."},
		{FlagUncalibrated, "The indicator is in the register but was never calibrated before this cylinder was swept. Peak, deck and stroke are as it showed them; the top itself hardly feels an indicator's error.", "Calibrate the indicator; sweep again where heights count."},
		{FlagNotConverged, "The joint fit did not settle; no number is given.", "Set aside the sweep that looks wrong, or sweep again."},
	}
}

// flagCalibration raises what a sweep's calibration calls for.
func (j *job) flagCalibration(s *Sweep) {
	switch s.Calibrated.State {
	case CalibrationExpired:
		j.flag(s.Cylinder, FlagExpired)
	case CalibrationFailed:
		j.flag(s.Cylinder, FlagCalFailed)
	case CalibrationDoubted:
		j.flag(s.Cylinder, FlagDoubted)
	case CalibrationNoneMade:
		j.flag(s.Cylinder, FlagUncalibrated)
	}
}

// RaisedFlag is a flag and the cylinders that have it.
type RaisedFlag struct {
	FlagNote
	Cylinders []int
}

// RaisedFlags lists every flag that was raised, in the order of the work.
func (x Index) RaisedFlags() []RaisedFlag {
	var out []RaisedFlag
	for _, note := range FlagNotes() {
		raised := RaisedFlag{FlagNote: note}
		for _, c := range x.Cylinders {
			if slices.Contains(c.Flags, note.Flag) {
				raised.Cylinders = append(raised.Cylinders, c.Number)
			}
		}
		if len(raised.Cylinders) > 0 {
			out = append(out, raised)
		}
	}
	return out
}
