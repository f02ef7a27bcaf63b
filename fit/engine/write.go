package engine

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// TOML writes the engine as an engine file that Parse reads back as the same.
func (e Engine) TOML() ([]byte, error) {
	var b strings.Builder
	var failed error
	key := func(name string, value string) { fmt.Fprintf(&b, "%s = %s\n", name, value) }
	text := func(name, value string) {
		line, err := toml.Marshal(map[string]string{name: value})
		if err != nil {
			failed = err
		}
		b.Write(line)
	}
	number := func(name string, v *float64) {
		if v != nil {
			key(name, float(*v))
		}
	}
	text("name", e.Name)
	number("stroke_mm", &e.StrokeMM)
	number("rod_mm", e.RodMM)
	number("pin_offset_mm", e.PinOffsetMM)
	text("running_direction", e.RunningDirection)
	text("turn_back", e.TurnBack)
	number("damper_diameter_mm", e.DamperDiameterMM)
	number("cycle_deg", &e.CycleDeg)
	if len(e.FiringOrder) > 0 {
		key("firing_order", strings.ReplaceAll(fmt.Sprint(e.FiringOrder), " ", ", "))
	}
	if len(e.SharedPins) > 0 {
		key("shared_pins", strings.ReplaceAll(fmt.Sprint(e.SharedPins), " ", ", "))
	}
	key("reference_cylinder", strconv.Itoa(e.ReferenceCylinder))
	number("index_limit_deg", &e.IndexLimitDeg)
	number("trim_step_deg", &e.TrimStepDeg)
	for _, c := range e.Cylinder {
		b.WriteString("\n[[cylinder]]\n")
		key("number", strconv.Itoa(c.Number))
		number("tdc_deg", &c.TDCDeg)
		number("pin_offset_mm", c.PinOffsetMM)
	}
	for _, bank := range e.Bank {
		b.WriteString("\n[[bank]]\n")
		text("name", bank.Name)
		key("cylinders", strings.ReplaceAll(fmt.Sprint(bank.Cylinders), " ", ", "))
	}
	return []byte(b.String()), failed
}

// float writes a number that TOML reads as one with a fraction.
func float(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}
