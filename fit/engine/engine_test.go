package engine_test

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"crownmark/fit/crank"
	"crownmark/fit/engine"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the messages that bad files give into them")

// Each bad file ends with the exact messages it must give, one "#! " line each.
func TestBadFilesSayWhereWhatAndTheFix(t *testing.T) {
	t.Parallel()
	files, _ := filepath.Glob("testdata/bad/*.toml")
	if len(files) < 30 {
		t.Fatalf("only %d bad files", len(files))
	}
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			body, want, _ := strings.Cut(string(b), "#! ")
			want = strings.TrimSuffix(strings.ReplaceAll(want, "\n#! ", "\n"), "\n")
			_, err = engine.Parse("engine.toml", []byte(body))
			if err == nil {
				t.Fatal("accepted")
			}
			if *update {
				out := body + "#! " + strings.ReplaceAll(err.Error(), "\n", "\n#! ") + "\n"
				if err := os.WriteFile(path, []byte(out), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if diff := cmp.Diff(want, err.Error()); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestGoodFilesReadAndComeBackFromJSON(t *testing.T) {
	t.Parallel()
	files, _ := filepath.Glob("testdata/good/*.toml")
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			e, err := engine.Parse(path, b)
			if err != nil {
				t.Fatal(err)
			}
			sent, err := json.Marshal(e)
			if err != nil {
				t.Fatal(err)
			}
			back, err := engine.ParseJSON(sent)
			if diff := cmp.Diff(e, back); err != nil || diff != "" {
				t.Error(err, diff)
			}
			written, err := e.TOML()
			if err != nil {
				t.Fatal(err)
			}
			back, err = engine.Parse(path, written)
			if diff := cmp.Diff(e, back); err != nil || diff != "" {
				t.Errorf("%v %s\n%s", err, diff, written)
			}
		})
	}
}

func TestDefaults(t *testing.T) {
	t.Parallel()
	got, err := engine.Parse("e.toml", []byte("name='Twin'\nstroke_mm=70\nfiring_order=[2,1]\n"))
	want := engine.Engine{Name: "Twin", StrokeMM: 70, RunningDirection: "clockwise", TurnBack: "allowed", CycleDeg: 720,
		FiringOrder: []int{2, 1}, ReferenceCylinder: 2, IndexLimitDeg: 0.5, TrimStepDeg: 0.1}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Error(err, diff)
	}
	rod, u := got.RodOrAssumed()
	if rod != 1.65*70 || math.Abs(u-70*0.3/math.Sqrt(3)) > 1e-9 {
		t.Error(rod, u)
	}
}

func TestJSONProblemsCarryPointers(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		`[]`:                      `/: the whole must be a table of keys, not a list; see the documentation of this key`,
		`{"name":"x"`:             `/: the JSON ends too early; send one JSON object`,
		`{} {}`:                   `/: something follows the JSON object; send one JSON object`,
		`{"name":"x","name":"y"}`: `/name: the key "name" stands twice; keep one of them`,
		`{"name":"x","rodmm":1}`:  `/rodmm: unknown key "rodmm"; did you mean rod_mm?`,
		`{"name":"x","Name":"x"}`: `/Name: unknown key "Name"; did you mean name?`,
		`{"name":"x","a/b":1}`:    `/a~1b: unknown key "a/b"; remove it; known here are bank, cycle_deg, cylinder, damper_diameter_mm, firing_order, index_limit_deg, name, pin_offset_mm, reference_cylinder, rod_mm, running_direction, shared_pins, stroke_mm, trim_step_deg, turn_back`,
		`{"name":"x","stroke_mm":null,"firing_order":[1]}`:                               `/stroke_mm: stroke_mm must be a number, not null; write the number alone, without quotes or unit`,
		`{"name":"x","stroke_mm":1e999,"firing_order":[1]}`:                              `/stroke_mm: stroke_mm is 1e999; write a finite number`,
		`{"name":"x","stroke_mm":86,"rod_mm":40,"firing_order":[1]}`:                     `/rod_mm: with rod_mm = 40 the crank cannot turn: half the stroke and the pin offset are 43 mm together; give the length between the rod's centres, or leave rod_mm out: a ratio is then assumed`,
		`{"name":"x","stroke_mm":86,"cylinder":[{"number":1,"tdc_deg":0},{"number":2}]}`: `/cylinder/1/tdc_deg: cylinder 2 has no tdc_deg; add tdc_deg = 0.0 for the reference, and how far after it the top comes for the others`,
	} {
		if _, err := engine.ParseJSON([]byte(body)); err == nil || err.Error() != want {
			t.Errorf("%s\n got %v\nwant %s", body, err, want)
		}
	}
}

func TestTopsOfAnEvenFiringFour(t *testing.T) {
	t.Parallel()
	offset := -0.8
	e := engine.Engine{StrokeMM: 86, PinOffsetMM: &offset, CycleDeg: 720, FiringOrder: []int{1, 3, 4, 2}, ReferenceCylinder: 4}
	want := []engine.Top{
		{Number: 1, NominalDeg: 360, PinOffsetMM: -0.8, OffsetKnown: true},
		{Number: 2, NominalDeg: 180, PinOffsetMM: -0.8, OffsetKnown: true},
		{Number: 3, NominalDeg: 540, PinOffsetMM: -0.8, OffsetKnown: true},
		{Number: 4, NominalDeg: 0, PinOffsetMM: -0.8, OffsetKnown: true},
	}
	if diff := cmp.Diff(want, e.Tops()); diff != "" {
		t.Error(diff)
	}
	if _, ok := e.Top(5); ok {
		t.Error("an engine of four has a fifth cylinder")
	}
}

func TestACylindersOwnOffsetWins(t *testing.T) {
	t.Parallel()
	all, own := 0.5, -0.8
	e := engine.Engine{CycleDeg: 720, PinOffsetMM: &all, ReferenceCylinder: 1, Cylinder: []engine.Cylinder{{Number: 2, TDCDeg: 405, PinOffsetMM: &own}, {Number: 1}}}
	want := []engine.Top{{Number: 1, PinOffsetMM: 0.5, OffsetKnown: true}, {Number: 2, NominalDeg: 405, PinOffsetMM: -0.8, OffsetKnown: true}}
	if diff := cmp.Diff(want, e.Tops()); diff != "" {
		t.Error(diff)
	}
}

// Whatever is accepted can turn, has its reference at 0 and every top inside
// the cycle.
func TestWhatIsAcceptedMakesSense(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 16).Draw(t, "n")
		e := engine.Engine{Name: "Any", StrokeMM: rapid.Float64Range(5, 200).Draw(t, "stroke"), RunningDirection: "clockwise", TurnBack: "small",
			CycleDeg: rapid.SampledFrom([]float64{360, 720, 700}).Draw(t, "cycle"), IndexLimitDeg: 0.5, TrimStepDeg: 0.1,
			ReferenceCylinder: rapid.IntRange(0, n).Draw(t, "reference")}
		if rapid.Bool().Draw(t, "rod known") {
			rod := rapid.Float64Range(1, 400).Draw(t, "rod")
			e.RodMM = &rod
		}
		if rapid.Bool().Draw(t, "even") {
			e.FiringOrder = rapid.Permutation(upTo(n)).Draw(t, "order")
		} else {
			for i := range n {
				offset := rapid.Float64Range(-10, 10).Draw(t, "offset")
				e.Cylinder = append(e.Cylinder, engine.Cylinder{Number: i + 1, PinOffsetMM: &offset,
					TDCDeg: rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(0, 719)).Draw(t, "tdc")})
			}
		}
		if e.Validate().Err() != nil {
			return
		}
		rod, _ := e.RodOrAssumed()
		for _, top := range e.Tops() {
			if _, err := crank.New(e.StrokeMM, rod, top.PinOffsetMM); err != nil {
				t.Error(err)
			}
			if top.NominalDeg < 0 || top.NominalDeg >= e.CycleDeg {
				t.Error(top)
			}
		}
		if ref, ok := e.Top(e.ReferenceCylinder); !ok || ref.NominalDeg != 0 {
			t.Error(ref)
		}
		e.Name = rapid.StringMatching(`[a-z"'\\#é°]{1,20}`).Draw(t, "name")
		written, err := e.TOML()
		if err != nil {
			t.Fatal(err)
		}
		back, err := engine.Parse("e.toml", written)
		if diff := cmp.Diff(e, back); err != nil || diff != "" {
			t.Errorf("%v %s\n%s", err, diff, written)
		}
	})
}

func upTo(n int) []int {
	list := make([]int, n)
	for i := range list {
		list[i] = i + 1
	}
	return list
}

func FuzzParse(f *testing.F) {
	files, _ := filepath.Glob("testdata/*/*.toml")
	for _, path := range files {
		b, _ := os.ReadFile(path)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if _, err := engine.Parse("fuzz.toml", b); err != nil {
			for _, p := range err.(engine.Problems) {
				if p.Line < 1 || p.Detail == "" || p.Fix == "" {
					t.Errorf("%#v", p)
				}
			}
		}
	})
}
