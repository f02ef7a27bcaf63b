package pointcsv_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"crownmark/fit/calibrate"
	"crownmark/fit/pointcsv"
)

func TestReadsPoints(t *testing.T) {
	f, err := pointcsv.Read("left.csv", strings.NewReader("\ufeff# a remark\nreading_mm, run,shop,direction,reference_mm\n0.003,1,x,up,0\n-1.002,2,x, down ,-1\n5e-1,2,x,repeat,.5\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []calibrate.Point{{Run: 1, Direction: calibrate.Up, ReadingMM: 0.003}, {Run: 2, Direction: calibrate.Down, ReferenceMM: -1, ReadingMM: -1.002}, {Run: 2, Direction: calibrate.Repeat, ReferenceMM: 0.5, ReadingMM: 0.5}}
	if !slices.Equal(f.Points, want) {
		t.Errorf("%+v", f.Points)
	}
	if !slices.Equal(f.Warnings, []string{"left.csv:2:17(shop): this column is not known and was left out"}) {
		t.Errorf("%q", f.Warnings)
	}
}

// One bad file per rule, with its whole message.
func TestBadFiles(t *testing.T) {
	const head = "run,direction,reference_mm,reading_mm\n"
	for text, want := range map[string]string{
		"":                                      "bad.csv: the file is empty; give a file whose first row names the columns run, direction, reference_mm and reading_mm",
		head:                                    "bad.csv: there is no point in it; give a row for each point below the header",
		"run;direction;reference_mm;reading_mm": "bad.csv:1: the columns are not separated by commas; save the file with commas between the columns and decimal points in the numbers",
		"run,direction,reference_mm\n":          "bad.csv:1: the column reading_mm is missing; the first row must name run, direction, reference_mm and reading_mm",
		"run,direction,reference_mm,run\n":      "bad.csv:1:28(run): two columns have this name; keep one of them, or rename the other",
		head + "1,up,1\n":                       "bad.csv:2: the row has 3 cells, the header 4; give every row one cell a column",
		head + "1,up,1,1,002\n":                 "bad.csv:2: the row has 5 cells, the header 4; give every row one cell a column; numbers take a decimal point, as a comma begins another cell",
		head + "1,up,\"1\"1,1\n":                `bad.csv:2:8: a quote stands where none may; write a text with quotes as "…" and double the quotes inside`,
		head + "1,up,1,1\n0,up,1,1\n":           `bad.csv:3:1(run): "0" is not a whole number from 1; number the runs 1, 2, 3, …`,
		head + "1,UP,1,1\n":                     `bad.csv:2:3(direction): "UP" is not known here; write up (plunger moving in), down (moving out again) or repeat (several readings at one point)`,
		head + "1,up,,1\n":                      "bad.csv:2:6(reference_mm): the cell is empty; write the millimetres, or leave out the row of a point that was not taken",
		head + "1,up,1,\"1,5\"\n":               `bad.csv:2:8(reading_mm): "1,5" is not a number; write millimetres with a decimal point`,
		head + "1,up,1,NaN\n":                   `bad.csv:2:8(reading_mm): "NaN" is not a number; write millimetres with a decimal point`,
		head + "1,up,1,-1e5\n":                  "bad.csv:2:8(reading_mm): -1e5 mm is longer than any indicator; write millimetres",
	} {
		_, err := pointcsv.Read("bad.csv", strings.NewReader(text))
		var e *pointcsv.Error
		if !errors.As(err, &e) || err.Error() != want {
			t.Errorf("%q:\n got %v\nwant %s", text, err, want)
		}
	}
}

// Whatever the bytes are, it ends with points or an error, and points come back
// as they were written.
func FuzzRead(f *testing.F) {
	f.Add([]byte("run,direction,reference_mm,reading_mm\n1,up,0,0.001\n1,down,0,.002\n"))
	f.Add([]byte("# x\nrun,direction,reading_mm,reference_mm,y\n1,repeat,1e-3,-0,\"\"\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := pointcsv.Read("x", bytes.NewReader(data))
		if err != nil {
			return
		}
		var b bytes.Buffer
		if err := pointcsv.Write(&b, got.Points); err != nil {
			t.Fatal(err)
		}
		again, err := pointcsv.Read("x", &b)
		if err != nil || !slices.Equal(got.Points, again.Points) {
			t.Fatalf("%v: %v, then %v", err, got.Points, again.Points)
		}
	})
}
