package dashboards

import (
	"fmt"
	"strings"
	"testing"
)

func TestCatalogue(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.add("de", map[string]string{
		"Sweep cylinder %s, the reference.": "Messen Sie Zylinder %s, den Bezug.",
		"Still to sweep: %s.":               "Noch zu messen: %s.",
		"cylinders %s and %s":               "Zylinder %s und %s",
		"%s before %s":                      "vor %[2]s kommt %[1]s",
		"late":                              "spät",
	}); err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		text, want string
		args       []any
	}{
		{"late", "spät", nil},
		{"Sweep cylinder 1, the reference.", "Messen Sie Zylinder 1, den Bezug.", nil},
		{"Still to sweep: cylinders 2, 3 and 4.", "Noch zu messen: Zylinder 2, 3 und 4.", nil},
		{"Still to sweep: cylinders 2 and 3. Sweep cylinder 1, the reference.", "Noch zu messen: Zylinder 2 und 3. Messen Sie Zylinder 1, den Bezug.", nil},
		{"%s before %s", "vor B kommt A", []any{"A", "B"}},
		{"1.50 %", "1.50 %", nil},
		{"cylinders %s and %s", "Zylinder %s und %s", nil}, // a script fills it
		{"nobody wrote this", "nobody wrote this", nil},
	} {
		if got := c.say("de", row.text, row.args...); got != row.want {
			t.Errorf("%q: %q, want %q", row.text, got, row.want)
		}
		if got, want := c.say("en", row.text, row.args...), filled(row.text, row.args); got != want {
			t.Errorf("English of %q: %q", row.text, got)
		}
	}
	if !c.missing["nobody wrote this"] || c.missing["1.50 %"] {
		t.Errorf("missing: %v", c.missing)
	}
}

func catalogueWith(t testing.TB, texts map[string]string) *catalogue {
	t.Helper()
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.add("de", texts); err != nil {
		t.Fatal(err)
	}
	return c
}

// Names stay, whatever they are called; keys with little text take figures only.
func TestCatalogueLeavesNamesAlone(t *testing.T) {
	c := catalogueWith(t, map[string]string{
		"late": "spät", "top": "Totpunkt", "%s and %s": "%s und %s", "%s° late": "%s° spät", "%s on time": "%s pünktlich",
		"Indicator %s is away: %s.":  "Messuhr %s ist weg: %s.",
		"Indicator %s":               "Messuhr %s",
		"Work on “%s”":               "Arbeiten an „%s“",
		"Run `usermod -aG %s %s`.":   "Führen Sie `usermod -aG %s %s` aus.",
		"%s waits for cylinders %s.": "%s wartet auf Zylinder %s.",
	})
	for text, want := range map[string]string{
		"Indicator late is away: late.":        "Messuhr late ist weg: spät.",
		"Indicator St. late is away: late.":    "Messuhr St. late ist weg: spät.",
		"Run `usermod -aG late late`.":         "Führen Sie `usermod -aG late late` aus.",
		"Work on “top and late, by %s”":        "Arbeiten an „top and late, by %s“",
		"late waits for cylinders 2, 3 and 4.": "spät wartet auf Zylinder 2, 3 und 4.",
		"Indicator top is away: top. late":     "Messuhr top ist weg: Totpunkt. spät",
		"Indicator late: late":                 "Messuhr late: spät",
		"1.50° late":                           "1.50° spät",
		"Barn find and roadster":               "Barn find and roadster",
		"never on time":                        "never on time",
		"late · top; late":                     "spät · Totpunkt; spät",
	} {
		if got := c.say("de", text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	if got := c.say("de", "Work on “%s”", "late"); got != "Arbeiten an „late“" {
		t.Errorf("as an argument: %q", got)
	}
}

// What was said may come in again as an argument; a script's text keeps its places.
func TestCatalogueSaysOnce(t *testing.T) {
	c := catalogueWith(t, map[string]string{"late": "spät", "The top is %s.": "Der Totpunkt ist %s.", "%s later than %s": "nach %[2]s: %[1]s"})
	if got := c.say("de", "The top is %s.", c.say("de", "late")); got != "Der Totpunkt ist spät." || len(c.missing) > 0 {
		t.Errorf("%q, missing %v", got, c.missing)
	}
	if got := c.say("de", "%s later than %s"); got != "nach %[2]s: %[1]s" {
		t.Errorf("for a script: %q", got)
	}
	for i := range 3 * keptTexts {
		if got, want := c.say("de", fmt.Sprintf("The top is %d late.", i)), fmt.Sprintf("Der Totpunkt ist %d late.", i); got != want {
			t.Fatalf("%q, want %q", got, want)
		}
	}
	if len(c.found)+len(c.made) > keptTexts {
		t.Errorf("%d texts are kept", len(c.found)+len(c.made))
	}
}

func BenchmarkCatalogueUnknown(b *testing.B) {
	c := catalogueWith(b, nil)
	text := strings.Repeat("no pattern knows this, and none will ", 4)
	for i := 0; b.Loop(); i++ {
		c.say("de", fmt.Sprint(text, i))
	}
}
