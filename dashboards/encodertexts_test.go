package dashboards

import (
	"strings"
	"testing"

	"crownmark/fit"
	"crownmark/fit/calibrate"
)

// What an encoder's check says of re-clocked mounts has its German.
func TestEncoderWordsInGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	e := &fit.Eccentricity{SinDeg: [2]float64{0.1, 0.01}, SinU95Deg: [2]float64{0.003, 0.15}, CosU95Deg: [2]float64{0.003, 0.15}, PriorUDeg: 0.08, Declared: true, Reclocked: true}
	r := calibrate.Encoder(fit.Input{Priors: fit.DefaultPriors()}, fit.Index{Eccentricity: e}, nil)
	said := 0
	for _, note := range r.Notes {
		if strings.Contains(note, "45°") {
			lacking(t, c, "encoder", note)
			said++
		}
	}
	for _, line := range r.Budget {
		lacking(t, c, "encoder", line.Source)
		lacking(t, c, "encoder", line.Size)
		said++
	}
	if said != 3 {
		t.Errorf("%d said of %+v", said, r)
	}
}
