package store

import (
	"bytes"
	"testing"

	"crownmark/acquire"
	"crownmark/fit/sweepcsv"
)

// What was said as each mount began adds up, in Input and in the export; where
// one began without a word, or none was turned, nothing is handed on.
func TestReclockIsHandedOn(t *testing.T) {
	for name, c := range map[string]struct {
		causes []string
		want   []float64 // nil: unknown
	}{
		"told":          {[]string{"remount:180", "remount:-90"}, []float64{0, 180, 90}},
		"over a turn":   {[]string{"remount:270", "remount:180"}, []float64{0, 270, 90}},
		"as it was":     {[]string{"remount:0"}, nil},
		"one unknown":   {[]string{"remount:180", "remount"}, nil},
		"lost counts":   {[]string{"remount:180", "lost_counts"}, nil},
		"read by hand":  {[]string{"remount:180", acquire.DatumByMarks, "remount:90"}, []float64{0, 180, -1, 270}},
		"one mounting":  {nil, nil},
		"never told so": {[]string{"reconnect", "reconnect"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t, testOptions(t))
			job := newJob(t, s)
			b := startBench(t, s, job.ID)
			b.sweep(30, 5)
			for n, cause := range c.causes {
				b.record(acquire.Batch{Data: []acquire.Datum{{ID: b.res.LastDatum + 1 + int64(n), Stream: b.enc, FromSeq: b.encSeq + 1, Kind: acquire.DatumMount, Number: 2 + n, Cause: cause}}})
				b.sweep(30, 5)
			}
			in, _ := input(t, s, job.ID)
			if len(in.Sweeps) != len(c.causes)+1 {
				t.Fatalf("%d sweeps", len(in.Sweeps))
			}
			var out bytes.Buffer
			if err := s.Export(t.Context(), job.ID, &out); err != nil {
				t.Fatal(err)
			}
			file, err := sweepcsv.Read("export.csv", &out)
			if err != nil {
				t.Fatal(err)
			}
			for i, w := range in.Sweeps {
				told := w.ReclockDeg
				if again := file.Sweeps[i].ReclockDeg; (again == nil) != (told == nil) || told != nil && *again != *told {
					t.Errorf("sweep %d is exported otherwise", w.ID)
				}
				switch {
				case c.want == nil && told != nil:
					t.Errorf("sweep %d: turned by %g°", w.ID, *told)
				case c.want != nil && c.want[i] >= 0 && (told == nil || *told != c.want[i]):
					t.Errorf("sweep %d: %v, want %g", w.ID, told, c.want[i])
				}
			}
		})
	}
}
