package sweepcsv_test

import (
	"strings"
	"testing"

	"crownmark/fit/sweepcsv"
)

// Angles read off marks carry their doubt; each height has its own angle.
func TestAnglesReadOffMarks(t *testing.T) {
	f := read(t, "sweep,cylinder,t_s,angle_deg,height_mm,angle_u_deg\n1,1,0,-10,1,0.2\n1,1,9,-5,1.5,0.2\n1,1,20,0,1.7,0.2\n")
	if s := f.Sweeps[0]; s.AngleUDeg != 0.2 || len(s.Encoder.V) != 3 || s.Encoder.V[1] != -5 {
		t.Errorf("%+v", s)
	}
	for text, want := range map[string]string{
		"1,1,0,-10,1,0.2\n1,1,9,-5,1.5,0.3\n": "sweep 1 has another doubt of its angles here than in line 2",
		"1,1,0,-10,1,-0.2\n":                  "the doubt of an angle lies above 0°",
		"1,1,0,-10,1,0.2\n1,1,9,,1.5,0.2\n":   "the angle is missing",
	} {
		_, err := sweepcsv.Read("sweeps.csv", strings.NewReader("sweep,cylinder,t_s,angle_deg,height_mm,angle_u_deg\n"+text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
