package studycsv

import (
	"bytes"
	"strings"
	"testing"

	"crownmark/fit/calibrate"
)

func TestRead(t *testing.T) {
	f, err := Read("s.csv", strings.NewReader("\ufeffvalue_deg,part,person,hour\n# a remark\n-0.25, 3 ,A,9\n1e-3,4,A,9\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []calibrate.StudyRow{{Part: "3", Person: "A", Mount: "1", Repeat: "1", ValueDeg: -0.25}, {Part: "4", Person: "A", Mount: "1", Repeat: "1", ValueDeg: 0.001}}
	if len(f.Rows) != 2 || f.Rows[0] != want[0] || f.Rows[1] != want[1] {
		t.Errorf("%+v", f.Rows)
	}
	if len(f.Warnings) != 1 || f.Warnings[0] != "s.csv:1:23(hour): this column is not known and was left out" {
		t.Errorf("%q", f.Warnings)
	}
	var b bytes.Buffer
	if err := Write(&b, want); err != nil || b.String() != "part,person,mount,repeat,value_deg\n3,A,1,1,-0.25\n4,A,1,1,0.001\n" {
		t.Errorf("%v: %q", err, b.String())
	}
}

func TestReadRefuses(t *testing.T) {
	const head = "part,person,mount,repeat,value_deg\n"
	for text, want := range map[string]string{
		"":                                 "s.csv: the file is empty; ",
		head:                               "s.csv: there is no value in it; ",
		"part;person;value_deg\n":          "s.csv:1: the columns are not separated by commas; ",
		"part,person,mount\n":              "s.csv:1: the column value_deg is missing; ",
		"part,part,person,value_deg\n":     "s.csv:1:6(part): two columns have this name; ",
		head + "1,A,1,1,0.1\n1,A,,2,0.1\n": "s.csv:3:5(mount): the cell is empty; ",
		head + "1,A,1,1,\n":                "s.csv:2:9(value_deg): the cell is empty; ",
		head + "1,A,1,1,0x1p3\n":           `s.csv:2:9(value_deg): "0x1p3" is not a number of degrees; `,
		head + "1,A,1,1,NaN\n":             `s.csv:2:9(value_deg): "NaN" is not a number of degrees; `,
		head + "1,A,1,1,1e9\n":             `s.csv:2:9(value_deg): "1e9" is not a number of degrees; `,
		head + "1,A,1,0.1\n":               "s.csv:2: the row has 4 cells, the header 5; ",
		head + "1,A\"b,1,1,0.1\n":          "s.csv:2:4: a quote stands where none may; ",
		head + strings.Repeat("#", 17<<20): "s.csv: the file is larger than any study; ",
	} {
		if _, err := Read("s.csv", strings.NewReader(text)); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%.40q: %v, want %s…", text, err, want)
		}
	}
}
