package main

import (
	"crownmark/acquire/virtual"
	"crownmark/fit/engine"
)

// virtualEngine puts an engine file's engine on the virtual bench. A nominal
// top in the file is where the throw belongs; the pin offset moves the top
// from there.
func virtualEngine(e engine.Engine) virtual.Engine {
	rod, _ := e.RodOrAssumed()
	v := virtual.Engine{Name: e.Name, StrokeMM: e.StrokeMM, RodMM: rod, CycleDeg: e.Cycle(), Reference: e.Reference()}
	for _, t := range e.Tops() {
		v.Cylinders = append(v.Cylinders, virtual.Cylinder{Number: t.Number, NominalDeg: t.NominalDeg, PinOffsetMM: t.PinOffsetMM})
	}
	return v
}
