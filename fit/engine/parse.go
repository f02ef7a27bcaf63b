package engine

import "crownmark/fit/engine/strict"

// Parse reads an engine file. name is used in messages only. The error is
// Problems, each with file and line.
func Parse(name string, toml []byte) (Engine, error) {
	e := defaults()
	places, problems := strict.TOML(name, toml, &e)
	return e.checked(places, problems)
}

// ParseJSON reads the same definition from one JSON object with the same keys.
// The error is Problems, each with a JSON pointer.
func ParseJSON(b []byte) (Engine, error) {
	e := defaults()
	places, problems := strict.JSON(b, &e)
	return e.checked(places, problems)
}

func defaults() Engine {
	return Engine{RunningDirection: "clockwise", TurnBack: "allowed",
		CycleDeg: defaultCycleDeg, IndexLimitDeg: defaultIndexLimitDeg, TrimStepDeg: defaultTrimStepDeg}
}

// checked fills in the reference where none is given and validates. Problems
// of reading are told alone: what does not fit its type would only be told
// twice.
func (e Engine) checked(places strict.Places, problems Problems) (Engine, error) {
	if len(problems) > 0 {
		return Engine{}, problems
	}
	if !places.Has("/reference_cylinder") {
		e.ReferenceCylinder = e.Reference()
	}
	problems = e.Validate()
	for i := range e.Cylinder {
		if at := pointer("cylinder", i, "tdc_deg"); !places.Has(at) {
			problems.Add(at, "add tdc_deg = 0.0 for the reference, and how far after it the top comes for the others", "cylinder %d has no tdc_deg", e.Cylinder[i].Number)
		}
	}
	if len(problems) > 0 {
		return Engine{}, places.Locate(problems)
	}
	return e, nil
}
