// Package engine holds the definition of an engine: what the builder wrote in
// an engine file (TOML) or sent to the API (JSON), checked once, strictly.
package engine

// Engine is an engine file as written. Use Parse or ParseJSON, which validate;
// Tops and PinOffset answer what follows from it.
type Engine struct {
	Name              string     `toml:"name" json:"name"`
	StrokeMM          float64    `toml:"stroke_mm" json:"stroke_mm"`
	RodMM             *float64   `toml:"rod_mm" json:"rod_mm,omitempty"`                       // nil: ratio assumed
	PinOffsetMM       *float64   `toml:"pin_offset_mm" json:"pin_offset_mm,omitempty"`         // nil: not declared, 0 assumed
	RunningDirection  string     `toml:"running_direction" json:"running_direction,omitempty"` // clockwise | anticlockwise, seen from the damper end
	TurnBack          string     `toml:"turn_back" json:"turn_back,omitempty"`                 // allowed | small | forbidden
	DamperDiameterMM  *float64   `toml:"damper_diameter_mm" json:"damper_diameter_mm,omitempty"`
	CycleDeg          float64    `toml:"cycle_deg" json:"cycle_deg"`
	FiringOrder       []int      `toml:"firing_order" json:"firing_order,omitempty"`
	Cylinder          []Cylinder `toml:"cylinder" json:"cylinder,omitempty"`
	SharedPins        [][]int    `toml:"shared_pins" json:"shared_pins,omitempty"` // the cylinders on each crankpin that carries more than one rod
	Bank              []Bank     `toml:"bank" json:"bank,omitempty"`
	ReferenceCylinder int        `toml:"reference_cylinder" json:"reference_cylinder"`
	IndexLimitDeg     float64    `toml:"index_limit_deg" json:"index_limit_deg"`
	TrimStepDeg       float64    `toml:"trim_step_deg" json:"trim_step_deg"`
}

// Cylinder gives one cylinder's nominal top itself, for odd-firing or any crank.
type Cylinder struct {
	Number      int      `toml:"number" json:"number"`
	TDCDeg      float64  `toml:"tdc_deg" json:"tdc_deg"`
	PinOffsetMM *float64 `toml:"pin_offset_mm" json:"pin_offset_mm,omitempty"`
}

// Top is one cylinder's nominal top.
type Top struct {
	Number      int
	NominalDeg  float64 // after the reference's top, in running direction, in [0, cycle)
	PinOffsetMM float64
	OffsetKnown bool
}
