package fit

import (
	"fmt"
	"math"
	"slices"
)

// Correction is an indicator's calibration: CorrectionMM is added to a reading
// of ReadingMM, linear between points, on along the straight line through all
// beyond them. Readings are those of a display that
// was zeroed on the plunger's resting stop. U95MM is the expanded doubt at each
// point (k = 2, both directions of travel within), BetweenU95MM that between a
// point and the next, where it is known (nil: nothing more than at the points).
type Correction struct {
	ReadingMM, CorrectionMM, U95MM []float64
	BetweenU95MM                   []float64
}

// What may be known of the state an indicator's calibration was in when a
// sweep was made with it. "" says that nobody keeps a register.
const (
	CalibrationInForce  = "in_force"
	CalibrationExpired  = "expired"      // it was past its due date
	CalibrationFailed   = "failed"       // its latest one before had failed
	CalibrationDoubted  = "doubted"      // it was in force, but the indicator's next one failed
	CalibrationNoneMade = "uncalibrated" // in the register, never calibrated
)

// Calibrated is the calibration that a sweep's indicator had when the sweep
// was made. The zero value says nothing.
type Calibrated struct {
	Certificate int64  // number of the certificate that the correction is from; 0: none
	State       string // one of the states above, or ""
}

// Check finds what makes a correction useless: points that do not rise, also
// when corrected, what is no number, or lists of different lengths. U95MM may
// be left out.
func (c *Correction) Check() error {
	n := len(c.ReadingMM)
	switch {
	case n == 0:
		return fmt.Errorf("the correction has no point; calibrate the indicator anew")
	case len(c.CorrectionMM) != n, c.U95MM != nil && len(c.U95MM) != n, c.BetweenU95MM != nil && len(c.BetweenU95MM) != n-1:
		return fmt.Errorf("the correction's lists differ in length (%d readings, %d corrections, %d doubts, %d between); give one of each a point, and of the last one less",
			n, len(c.CorrectionMM), len(c.U95MM), len(c.BetweenU95MM))
	}
	for i := range n {
		if !finite(c.ReadingMM[i]) || !finite(c.CorrectionMM[i]) || math.Abs(c.ReadingMM[i]) > heightMostMM || math.Abs(c.CorrectionMM[i]) > heightMostMM {
			return fmt.Errorf("the correction's point %d (%g mm, %g mm) is no indicator's; calibrate it anew", i+1, c.ReadingMM[i], c.CorrectionMM[i])
		}
		if i > 0 && !(c.ReadingMM[i] > c.ReadingMM[i-1] && c.ReadingMM[i]+c.CorrectionMM[i] > c.ReadingMM[i-1]+c.CorrectionMM[i-1]) {
			return fmt.Errorf("the correction does not rise from %g to %g mm; put its points in order, one a place", c.ReadingMM[i-1], c.ReadingMM[i])
		}
	}
	if bad := slices.IndexFunc(append(slices.Clone(c.U95MM), c.BetweenU95MM...), func(u float64) bool { return !(u >= 0 && u <= heightMostMM) }); bad >= 0 {
		return fmt.Errorf("a doubt of the correction is below 0, no number or no indicator's; calibrate the indicator anew")
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
