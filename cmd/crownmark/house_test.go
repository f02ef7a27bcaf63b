package main

import (
	"os/exec"
	"strings"
	"testing"
)

// rooms by height: an import may only go to a lower room.
var rooms = map[string]int{"fit": 1, "acquire": 1, "store": 2, "dashboards": 3, "cmd": 4}

// The house: arrows only downward, fit and acquire strangers to each other, the
// virtual bench a stranger to all.
func TestImportsRunDownward(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}} {{join .Imports " "}}`, "crownmark/...").Output()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for line := range strings.Lines(string(out)) {
		words := strings.Fields(line)
		for _, to := range words[1:] {
			if !strings.HasPrefix(to, "crownmark/") {
				continue
			}
			seen++
			if why := wrongArrow(words[0], to); why != "" {
				t.Errorf("%s imports %s: %s", words[0], to, why)
			}
		}
	}
	if seen < 10 {
		t.Errorf("only %d arrows seen: the list was not read", seen)
	}
}

func wrongArrow(from, to string) string {
	a, b := room(from), room(to)
	switch {
	case from == "crownmark/acquire/virtual":
		return "the virtual bench imports nothing of ours"
	case a == b:
		return ""
	case rooms[a] == 0 || rooms[b] == 0:
		return "not one of the house's rooms"
	case rooms[a] <= rooms[b]:
		return "an arrow that runs upward or sideways"
	}
	return ""
}

func room(path string) string {
	rest := strings.TrimPrefix(path, "crownmark/")
	name, _, _ := strings.Cut(rest, "/")
	return name
}

func TestWrongArrowsAreSeen(t *testing.T) {
	for _, c := range [][2]string{{"crownmark/fit", "crownmark/acquire"}, {"crownmark/store", "crownmark/dashboards"}, {"crownmark/acquire/virtual", "crownmark/acquire/wire"}, {"crownmark/acquire", "crownmark/util"}} {
		if wrongArrow(c[0], c[1]) == "" {
			t.Errorf("%s → %s was let through", c[0], c[1])
		}
	}
}

// modernc.org/libc must be the very version that modernc.org/sqlite was made with.
func TestLibcMatchesSQLite(t *testing.T) {
	version := func(args ...string) string {
		out, err := exec.Command("go", args...).Output()
		if err != nil {
			t.Fatalf("go %v: %v", args, err)
		}
		return strings.TrimSpace(string(out))
	}
	ours := version("list", "-m", "-f", "{{.Version}}", "modernc.org/libc")
	gomod := version("list", "-m", "-f", "{{.GoMod}}", "modernc.org/sqlite")
	want, err := exec.Command("grep", "-E", `^\s*(require )?modernc.org/libc `, gomod).Output()
	if err != nil {
		t.Fatal(err)
	}
	if f := strings.Fields(strings.TrimPrefix(strings.TrimSpace(string(want)), "require ")); f[1] != ours {
		t.Errorf("modernc.org/libc is %s; sqlite wants %s: go get modernc.org/libc@%s", ours, f[1], f[1])
	}
}
