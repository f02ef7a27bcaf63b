package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A calibration's file that was cut or edited is refused: no number that is
// missing counts as 0, no doubt is beyond all measure.
func TestBrokenCalibrationFile(t *testing.T) {
	const knot, last = `{"reading_mm":0,"correction_mm":0.001,"u95_mm":0.002,"between_u95_mm":0.003}`, `{"reading_mm":1,"correction_mm":0.001,"u95_mm":0.002,"between_u95_mm":null}`
	path := filepath.Join(t.TempDir(), "left.json")
	read := func(first, schema string) error {
		text := fmt.Sprintf(`{"schema":%q,"correction":[%s,%s]}`, schema, first, last)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := readCalibration(path)
		return err
	}
	const schema = "crownmark-calibration-1"
	if err := read(knot, schema); err != nil {
		t.Fatal(err)
	}
	if err := read(knot, "crownmark-study-1"); err == nil || !strings.Contains(err.Error(), "no calibration") {
		t.Error(err)
	}
	for _, one := range []string{`"reading_mm":0`, `"correction_mm":0.001`, `"u95_mm":0.002`, `"between_u95_mm":0.003`} {
		key, _, _ := strings.Cut(one, ":")
		for how, changed := range map[string]string{"null": key + ":null", "missing": `"note":1`} {
			if err := read(strings.Replace(knot, one, changed, 1), schema); err == nil || !strings.Contains(err.Error(), "point 1 of the correction is not whole") {
				t.Errorf("%s %s: %v", key, how, err)
			}
		}
	}
	if err := read(strings.Replace(knot, "0.003", "1e308", 1), schema); err == nil || !strings.Contains(err.Error(), "no indicator's") {
		t.Error(err)
	}
}
