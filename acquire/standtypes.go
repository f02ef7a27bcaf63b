package acquire

import "errors"

// Directions of a StandPoint: how the plunger comes to it.
const (
	StandUp     = "up"     // moving in
	StandDown   = "down"   // moving out again
	StandRepeat = "repeat" // once more at the same place, left and come to anew, moving in
)

// StandPoint is one point of a guided calibration.
type StandPoint struct {
	Run         int // from 1
	Direction   string
	ReferenceMM float64 // what the reference is set to
}

func (p StandPoint) rising() bool { return p.Direction != StandDown }

// StandTaken is a point that was taken.
type StandTaken struct {
	StandPoint
	ReadingMM   float64
	Stream, Seq int64 // of its reading
}

func (t StandTaken) errorMM() float64 { return t.ReadingMM - t.ReferenceMM }

// How points are taken.
const (
	TakeSteady = "steady" // by themselves, once the display stands at the next one
	TakeLine   = "line"   // each line that the indicator sends at a press is one
	TakeCall   = "call"   // only when somebody says so
)

// What is to be done in a guided calibration.
const (
	StandTurn     = "turn"     // bring the reference to the next point
	StandBack     = "back"     // go back first, and come again
	StandHold     = "hold"     // it stands at the point: keep still
	StandPress    = "press"    // it stands: say that this is the point
	StandPaused   = "paused"   // the indicator is not heard
	StandComplete = "complete" // all points are taken
)

// Reasons of a StandRefusal.
const (
	RefusedOvershot = "overshot" // the point was passed, and come back to
	RefusedNotLeft  = "not_left" // the display has not left the point since
	RefusedApproach = "approach" // nobody saw from which side it came
	RefusedFar      = "far"      // the display shows something else than this point
	RefusedJumps    = "jumps"    // single readings jump
	RefusedAgain    = "pressed_twice"
	RefusedWentOn   = "went_on" // the display stands near the point taken last, but elsewhere
	RefusedZero     = "zero"    // the indicator was away, and shows something else now
	RefusedStuck    = "stuck"   // the display had not followed the plunger
)

// StandRefusal is why a display that stands is not taken, and what to do.
type StandRefusal struct{ Reason, Detail, Fix string }

func (r *StandRefusal) Error() string { return r.Detail + ": " + r.Fix }

// Is makes errors.Is(err, ErrNotTaken) true.
func (r *StandRefusal) Is(target error) bool { return target == ErrNotTaken }

// What a guided calibration may have been asked in vain.
var (
	ErrNoStand   = errors.New("no such calibration runs")
	ErrStandBusy = errors.New("another one runs")
	ErrOnEngine  = errors.New("stands on an engine")
	ErrOnStand   = errors.New("is being calibrated")
	ErrAllTaken  = errors.New("all points are taken")
	ErrNotTaken  = errors.New("this is not the next point")
)
