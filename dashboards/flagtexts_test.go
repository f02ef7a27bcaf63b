package dashboards

import (
	"testing"

	"crownmark/fit"
)

// What a flag says is said in German, whole: no sentence falls back to English.
func TestFlagsAreSaidInGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range fit.FlagNotes() {
		for _, text := range []string{n.Cause, n.Cure} {
			if c.say("de", text) == text {
				t.Errorf("%s: %q stays English", n.Flag, text)
			}
		}
	}
	for text := range c.missing {
		t.Errorf("not in the catalogue: %q", text)
	}
}
