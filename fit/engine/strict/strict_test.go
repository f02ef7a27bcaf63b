package strict_test

import (
	"testing"

	"crownmark/fit/engine/strict"

	"github.com/google/go-cmp/cmp"
)

type shelf struct {
	Name string   `toml:"name"`
	Wide *float64 `toml:"wide_mm"`
	Open bool     `toml:"open"`
	Box  []box    `toml:"box"`
	Top  box      `toml:"top"`
}

type box struct {
	Number int       `toml:"number"`
	Sizes  []float64 `toml:"sizes_mm"`
}

const written = `name = "oak"
top.number = 3

[[box]]
number = 1
sizes_mm = [
  1.0,
  2,
]

[[box]]
number = 2
`

func TestTOMLFillsAndKnowsEveryPlace(t *testing.T) {
	t.Parallel()
	s := shelf{Open: true}
	places, problems := strict.TOML("s.toml", []byte(written), &s)
	want := shelf{Name: "oak", Open: true, Top: box{Number: 3}, Box: []box{{1, []float64{1, 2}}, {Number: 2}}}
	if diff := cmp.Diff(want, s); diff != "" || len(problems) > 0 {
		t.Error(diff, problems)
	}
	for pointer, line := range map[string]int{"/name": 1, "/top/number": 2, "/box": 4, "/box/0": 4, "/box/0/sizes_mm/1": 8,
		"/box/1": 11, "/box/1/number": 12, "/box/1/sizes_mm": 11 /* absent: its table */, "/wide_mm": 1 /* absent: the file */} {
		if got := places.Line(pointer); got != line {
			t.Errorf("%s: line %d, want %d", pointer, got, line)
		}
	}
	if !places.Has("/box/1/number") || places.Has("/box/1/sizes_mm") || places.Has("/wide_mm") {
		t.Error("places that are not there, or the other way round")
	}
}

func TestInlineTablesHavePlacesToo(t *testing.T) {
	t.Parallel()
	var s shelf
	_, problems := strict.TOML("s.toml", []byte("box = [\n  {number = 1},\n  {numbr = 2},\n]\n"), &s)
	want := strict.Problems{{File: "s.toml", Line: 3, Pointer: "/box/1/numbr", Detail: `unknown key "numbr"`, Fix: "did you mean number?"}}
	if diff := cmp.Diff(want, problems); diff != "" {
		t.Error(diff)
	}
}

func TestJSONFillsTheSame(t *testing.T) {
	t.Parallel()
	var s shelf
	places, problems := strict.JSON([]byte(`{"name":"oak","wide_mm":null,"box":[{"number":1,"sizes_mm":[1,2.0]}]}`), &s)
	if diff := cmp.Diff(shelf{Name: "oak", Box: []box{{1, []float64{1, 2}}}}, s); diff != "" || len(problems) > 0 {
		t.Error(diff, problems)
	}
	if !places.Has("/box/0/sizes_mm/1") || places.Has("/open") {
		t.Error("places")
	}
}

func TestOneProblemReadsAsWhereWhatFix(t *testing.T) {
	t.Parallel()
	for want, p := range map[string]strict.Problem{
		"a.toml:3: it is wide; make it narrow": {File: "a.toml", Line: 3, Detail: "it is wide", Fix: "make it narrow"},
		"/box/1: it is wide; make it narrow":   {Pointer: "/box/1", Detail: "it is wide", Fix: "make it narrow"},
		"/: it is wide; make it narrow":        {Detail: "it is wide", Fix: "make it narrow"},
	} {
		if got := p.Error(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// Some editors begin a file with a byte-order mark; it is no key.
func TestByteOrderMark(t *testing.T) {
	t.Parallel()
	var s shelf
	places, problems := strict.TOML("s.toml", []byte("\ufeffname = \"oak\"\r\n"), &s)
	if len(problems) > 0 || s.Name != "oak" || !places.Has("/name") {
		t.Error(problems, s)
	}
}

// Fields that are not the file's are not offered as keys.
func TestOnlyKeysOfTheFileAreOffered(t *testing.T) {
	t.Parallel()
	var into struct {
		Name string `toml:"name"`
		path string
	}
	_, problems := strict.TOML("s.toml", []byte("length_mm = 1"), &into)
	if len(problems) != 1 || problems[0].Fix != "remove it; known here are name" {
		t.Error(problems, into.path)
	}
}
