package dashboards

import "testing"

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
