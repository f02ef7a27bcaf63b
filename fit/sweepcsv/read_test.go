package sweepcsv_test

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"crownmark/fit"
	"crownmark/fit/sweepcsv"

	"github.com/google/go-cmp/cmp"
)

func read(t *testing.T, text string) sweepcsv.File {
	t.Helper()
	f, err := sweepcsv.Read("sweeps.csv", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestColumnsInAnyOrderInchesAndRowsOutOfTime(t *testing.T) {
	t.Parallel()
	f := read(t, "\ufeffheight_in, t_s,sweep,angle_deg,colour,cylinder\n"+
		"0.5,2,1,20,red,3\n"+
		"0.4,1,1,10,red,3\n")
	want := []fit.Sweep{{ID: 1, Cylinder: 3, Mount: 1, Setup: 1, Zeroing: 1,
		Encoder: &fit.Series{T: []float64{1, 2}, V: []float64{10, 20}},
		Height:  fit.Series{T: []float64{1, 2}, V: []float64{0.4 * 25.4, 12.7}}}}
	if diff := cmp.Diff(want, f.Sweeps); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"sweeps.csv:1:32(colour): this column is not known and was left out"}, f.Warnings); diff != "" {
		t.Error(diff)
	}
}

// Rows with neither sweep nor cylinder serve every sweep of their mount, as
// one stream with one error; a sweep's own encoder rows win; the angles beside
// its heights are then ignored.
func TestEncoderRows(t *testing.T) {
	t.Parallel()
	f := read(t, `sweep,cylinder,t_s,angle_deg,height_mm,indicator,mount
,,0,100,,,1
,,1,110,,,1
1,1,0.5,,0.1,left,1
2,3,0.5,999,0.2,right,1
3,1,5.5,7,0.3,left,2
3,,5,50,,,2
3,1,6,60,,left,2
4,1,7.5,70,0.4,left,3
`)
	s := f.Sweeps
	if len(s) != 4 || s[0].Encoder != s[1].Encoder {
		t.Fatalf("two sweeps of one mount must share one stream: %+v", s)
	}
	for i, want := range []fit.Series{{T: []float64{0, 1}, V: []float64{100, 110}}, {T: []float64{0, 1}, V: []float64{100, 110}},
		{T: []float64{5, 6}, V: []float64{50, 60}}, {T: []float64{7.5}, V: []float64{70}}} {
		if diff := cmp.Diff(want, *s[i].Encoder); diff != "" {
			t.Error(i+1, diff)
		}
	}
}

// Without a mount they serve every sweep of the file.
func TestEncoderRowsWithoutAMountServeAll(t *testing.T) {
	t.Parallel()
	f := read(t, "sweep,cylinder,t_s,angle_deg,height_mm,mount\n,,0,100,,\n1,1,0,,0.1,\n2,1,0,,0.1,4\n")
	if s := f.Sweeps; len(s) != 2 || s[0].Encoder != s[1].Encoder || s[0].Encoder.V[0] != 100 || s[1].Mount != 4 {
		t.Errorf("%+v", f)
	}
}

func TestSetupAndZeroingAreOnePerCylinderByDefault(t *testing.T) {
	t.Parallel()
	f := read(t, `sweep,cylinder,t_s,angle_deg,height_mm,setup
1,1,0,0,0,
2,3,0,0,0,7
3,4,0,0,0,
4,1,0,0,0,
5,4,0,0,0,
`)
	setups, zeros := []int{}, []int{}
	for _, s := range f.Sweeps {
		setups, zeros = append(setups, s.Setup), append(zeros, s.Zeroing)
	}
	if setups[0] != setups[3] || setups[2] != setups[4] || setups[0] == setups[2] || setups[1] != 7 || setups[0] <= 7 {
		t.Error("setups", setups)
	}
	if zeros[0] != zeros[3] || zeros[0] == zeros[1] || zeros[1] == zeros[2] {
		t.Error("zeroings", zeros)
	}
}

func TestBurstsSimulatedAndDeckZero(t *testing.T) {
	t.Parallel()
	f := read(t, `sweep,cylinder,t_s,angle_deg,height_mm,burst,simulated,zero_on,count,raw
1,1,0,0,0,,true,deck,12,"0,000 ""mm"""
1,1,0,1,0,1,true,deck,13,x
`)
	if s := f.Sweeps[0]; !f.Simulated || !s.DeckZero || cmp.Diff([]int{0, 1}, s.Height.Late) != "" || len(f.Warnings) != 0 {
		t.Errorf("%+v", f)
	}
}

func TestASweepWithoutHeightsIsLeftOutWithAWarning(t *testing.T) {
	t.Parallel()
	f := read(t, "sweep,cylinder,t_s,angle_deg,height_mm\n1,1,0,0,0\n2,1,0,0,\n")
	if len(f.Sweeps) != 1 || cmp.Diff([]string{"sweeps.csv:3: sweep 2 has no height and was left out"}, f.Warnings) != "" {
		t.Errorf("%+v", f)
	}
}

func TestWhatCannotBeUsedIsNamed(t *testing.T) {
	t.Parallel()
	const head = "sweep,cylinder,t_s,angle_deg,height_mm,indicator,mount,setup\n"
	for text, want := range map[string]string{
		"": `s.csv: the file is empty; give a file whose first row names the columns`,
		"sweep;cylinder;t_s;angle_deg;height_mm\n":           `s.csv:1: the columns are not separated by commas; save the file with commas between the columns and decimal points in the numbers`,
		"sweep,sweep,t_s,angle_deg,height_mm\n":              `s.csv:1:7(sweep): two columns have this name; keep one of them, or rename the other`,
		"sweep,cylinder,angle_deg,height_mm\n":               `s.csv:1: the column t_s is missing; the first row must name sweep, cylinder, t_s, angle_deg, and height_mm or height_in`,
		"sweep,cylinder,t_s,angle_deg\n":                     `s.csv:1: the column height_mm (or height_in) is missing; name the height's column by its unit`,
		"sweep,cylinder,t_s,angle_deg,height_mm,height_in\n": `s.csv:1: there are both height_mm and height_in; keep the one the indicator showed`,
		head:                                           `s.csv: there is no height in it; give a file with at least one sweep`,
		head + "1,1,0,0,0\n":                           `s.csv:2: the row has 5 cells, the header 8; give every row one cell a column; empty ones keep their comma`,
		head + "1,1,0,0,\"0\"1,,,\n":                   `s.csv:2:11: a quote stands where none may; write a text with quotes as "…" and double the quotes inside`,
		head + "1,1,0,\"0,5\",0,,,\n":                  `s.csv:2:7(angle_deg): "0,5" is not a number; write a finite number with a decimal point, or leave the cell empty where there was no reading`,
		head + "1,1,0,NaN,0,,,\n":                      `s.csv:2:7(angle_deg): "NaN" is not a number; write a finite number with a decimal point, or leave the cell empty where there was no reading`,
		head + "1,1,0,0,-Inf,,,\n":                     `s.csv:2:9(height_mm): "-Inf" is not a number; write a finite number with a decimal point, or leave the cell empty where there was no reading`,
		head + "1,1,0,0,1e999,,,\n":                    `s.csv:2:9(height_mm): "1e999" is not a number; write a finite number with a decimal point, or leave the cell empty where there was no reading`,
		head + "1,1,0,0x10,0,,,\n":                     `s.csv:2:7(angle_deg): "0x10" is not a number; write a finite number with a decimal point, or leave the cell empty where there was no reading`,
		head + "1,1,,0,0,,,\n":                         `s.csv:2:5(t_s): the time is missing; give the arrival time in seconds`,
		head + "1,1,0,0,0,,,\n1.5,1,0,0,0,,,\n":        `s.csv:3:1(sweep): "1.5" is not a whole number from 1; number sweeps, cylinders, mounts, setups and zeroings 1, 2, 3, …`,
		head + "1,0,0,0,0,,,\n":                        `s.csv:2:3(cylinder): "0" is not a whole number from 1; number sweeps, cylinders, mounts, setups and zeroings 1, 2, 3, …`,
		head + "1,1,0,0,0,,0,\n":                       `s.csv:2:12(mount): "0" is not a whole number from 1; number them 1, 2, 3, …, or leave the cell empty`,
		head + "1,1,0,,,,,\n":                          `s.csv:2: the row has neither angle nor height; leave the row out, or give the reading`,
		head + ",1,0,0,0,,,\n":                         `s.csv:2(sweep): a height belongs to a sweep; number its sweep`,
		head + "1,,0,0,0,,,\n":                         `s.csv:2(cylinder): a height belongs to a cylinder; name the cylinder under the indicator`,
		head + ",1,0,0,,,,\n":                          `s.csv:2(sweep): the row has a cylinder but no sweep; leave both empty for an encoder row that serves every sweep, or give both`,
		head + "1,1,0,,0,,,\n":                         `s.csv:2(angle_deg): the angle is missing, and no encoder row serves sweep 1 in mount 1; give the angle, or the encoder's own rows (with an empty height)`,
		head + "1,1,0,,0,,2,\n,,0,0,,,1,\n":            `s.csv:2(angle_deg): the angle is missing, and no encoder row serves sweep 1 in mount 2; give the angle, or the encoder's own rows (with an empty height)`,
		head + "1,1,0,0,0,,,\n1,2,1,0,0,,,\n":          `s.csv:3(cylinder): sweep 1 has cylinder 2 here, but 1 in line 2; give what follows a new sweep number`,
		head + "1,1,0,0,0,left,,\n1,1,1,0,0,right,,\n": `s.csv:3(indicator): sweep 1 has indicator "right" here, but "left" in line 2; give what follows a new sweep number`,
		head + "1,1,0,0,0,,1,\n1,1,1,0,0,,2,\n":        `s.csv:3(mount): sweep 1 has mount 2 here, but 1 in line 2; give what follows a new sweep number`,
		head + "1,1,0,0,0,,,1\n1,1,1,0,0,,,2\n":        `s.csv:3(setup): sweep 1 has setup 2 here, but 1 in line 2; give what follows a new sweep number`,
		head + "1,1,0,0,0,,,1\n2,3,1,0,0,,,1\n":        `s.csv:3(setup): setup 1 is on cylinder 3 (indicator "") in sweep 2, but on cylinder 1 (indicator "") in sweep 1; number each placement of an indicator anew`,
		"sweep,cylinder,t_s,angle_deg,height_mm,rest_mm\n1,1,0,0,0,-9\n1,1,1,0,0,-8\n":      `s.csv:3(rest_mm): sweep 1 has another resting stop here than in line 2; give what follows a new sweep number`,
		"sweep,cylinder,t_s,angle_deg,height_mm,rest_mm\n1,1,0,0,0,1e9\n":                   `s.csv:2:11(rest_mm): 1e+09 mm is beyond every indicator's travel; write what the display shows on the plunger's resting stop, or leave the cell empty`,
		"sweep,cylinder,t_s,angle_deg,height_mm,reclock_deg\n1,1,0,0,0,180\n1,1,1,0,0,90\n": `s.csv:3(reclock_deg): sweep 1 has reclock_deg 90° here, but 180° in line 2; give what follows a new sweep number`,
		"sweep,cylinder,t_s,angle_deg,height_mm,reclock_deg\n1,1,0,0,0,1e308\n":             `s.csv:2:11(reclock_deg): 1e+308° is more than a turn; write by how much the encoder was turned on the crank`,
		head + "1,1,1.8e18,0,0,,,\n": `s.csv:2:5(t_s): 1.8e+18 s is too large to tell milliseconds apart; give seconds from the beginning of the job`,
		head + thereAndBack(20):      `s.csv:2: sweep 1 turns back by 17.0°; one sweep is one direction; give the way back its own sweep number, and let all t_s share one zero`,
	} {
		if _, err := sweepcsv.Read("s.csv", strings.NewReader(text)); err == nil || err.Error() != want {
			t.Errorf("%q\n got %v\nwant %s", text, err, want)
		}
	}
}

// thereAndBack is one sweep value that turns 0 … 2×half … half.
func thereAndBack(half int) string {
	var b strings.Builder
	for i := range 3 * half {
		angle := i
		if i > 2*half {
			angle = 4*half - i
		}
		b.WriteString("1,1," + itoa(i) + "," + itoa(angle) + ",0,,,\n")
	}
	return b.String()
}

// What jumps faster than a hand turns is left to the fit: lost counts, two wild
// angles side by side. Turning back at a hand's speed is not.
func TestJumpsAreNoReversal(t *testing.T) {
	t.Parallel()
	const head = "sweep,cylinder,t_s,angle_deg,height_mm\n"
	sweep := func(angle func(i int) int) string {
		var b strings.Builder
		for i := range 60 {
			fmt.Fprintf(&b, "1,1,%g,%d,0\n", float64(i)*0.02, angle(i))
		}
		return head + b.String()
	}
	read(t, sweep(func(i int) int { return i - i/30*25 }))
	read(t, sweep(func(i int) int { return i * (1 - i%20/18) }))
	if _, err := sweepcsv.Read("s.csv", strings.NewReader(sweep(func(i int) int { return min(i, 60-i) }))); err == nil {
		t.Error("forth and back was taken for one sweep")
	}
}

func TestSpringBackAndOneWildAngleAreNoReversal(t *testing.T) {
	t.Parallel()
	const head = "sweep,cylinder,t_s,angle_deg,height_mm\n"
	read(t, head+"1,1,0,0,0\n1,1,1,10,0\n1,1,2,20,0\n1,1,3,18,0\n1,1,4,30,0\n")
	read(t, head+"1,1,0,0,0\n1,1,1,10,0\n1,1,2,-300,0\n1,1,3,18,0\n1,1,4,30,0\n")
}

func TestSweepOfHours(t *testing.T) {
	t.Parallel()
	_, err := sweepcsv.Read("sweeps.csv", strings.NewReader("sweep,cylinder,t_s,angle_deg,height_mm\n1,1,0,0,0.1\n7,3,5,1,0.1\n7,3,1e9,2,0.2\n"))
	want := "sweeps.csv:3: sweep 7 lasts 1e+09 s, from t_s 5 to 1e+09; give t_s in seconds and look for a wrong one; a new sweep has a new number"
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}

// A device, or a database taken for a table: a line without end must not be
// gathered until the memory is full.
func TestLineWithoutEnd(t *testing.T) {
	t.Parallel()
	endless := io.MultiReader(strings.NewReader("sweep,cylinder,t_s,angle_deg,height_mm\n1,1,0,0,0.1\n"), endlessZeros{})
	_, err := sweepcsv.Read("zeros.csv", endless)
	if err == nil || !strings.HasPrefix(err.Error(), "zeros.csv:3: the line does not end; ") {
		t.Error(err)
	}
}

type endlessZeros struct{}

func (endlessZeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }
