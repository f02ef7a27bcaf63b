package calibrate

// Characteristic is one of a result's characteristics with its doubt, 95 %.
type Characteristic struct {
	Name    string // one of the constants
	ValueMM *float64
	U95MM   *float64
}

// Characteristics are a result's characteristics in the order they are told;
// those that the points do not give are null.
func (r *Result) Characteristics() []Characteristic {
	return []Characteristic{
		{Total, r.ErrorTotalMM, r.ErrorTotalU95MM}, {Local, r.ErrorLocalMM, r.ErrorLocalU95MM}, {Hysteresis, r.HysteresisMM, r.HysteresisU95MM},
		{Repeatability, r.RepeatabilityMM, r.RepeatabilityU95MM}, {Linearity, r.LinearityMM, r.LinearityU95MM},
	}
}
