package engine

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Bank names the cylinders that stand in one row of the block.
type Bank struct {
	Name      string `toml:"name" json:"name"`
	Cylinders []int  `toml:"cylinders" json:"cylinders"`
}

const maxBankRunes = 40

// checkPins checks which cylinders share a crankpin, and the banks.
func (e Engine) checkPins(ps *Problems) {
	seen := map[int]bool{}
	for i, pin := range e.SharedPins {
		at := pointer("shared_pins", i)
		if len(pin) < 2 {
			ps.Add(at, "name every cylinder whose rod is on this crankpin, and leave out pins with one rod", "a shared pin names %d of the cylinders", len(pin))
		}
		e.checkMembers(ps, at, "on two pins, or twice on one", pin, seen)
	}
	if len(e.Bank) == 1 {
		ps.Add("/bank", "give every bank a [[bank]] table, or none", "there is one [[bank]] only")
	}
	seen = map[int]bool{}
	names := map[string]bool{}
	for i, b := range e.Bank {
		at := pointer("bank", i, "name")
		switch {
		case strings.TrimSpace(b.Name) == "" || utf8.RuneCountInString(b.Name) > maxBankRunes || strings.ContainsFunc(b.Name, unicode.IsControl):
			ps.Add(at, fmt.Sprintf(`write a name of up to %d letters, for example name = "left"`, maxBankRunes), "a [[bank]] has no name that can be shown")
		case names[b.Name]:
			ps.Add(at, "give each bank a name of its own", "the bank %q stands twice", b.Name)
		}
		names[b.Name] = true
		if len(b.Cylinders) == 0 {
			ps.Add(pointer("bank", i, "cylinders"), "add cylinders = [1, 2, 3, 4]", "the bank %q has no cylinders", b.Name)
		}
		e.checkMembers(ps, pointer("bank", i, "cylinders"), "in two banks, or twice in one", b.Cylinders, seen)
	}
}

// checkMembers refuses cylinders that the engine does not have, and those seen before.
func (e Engine) checkMembers(ps *Problems, at, twice string, members []int, seen map[int]bool) {
	known := e.numbers()
	for i, n := range members {
		switch {
		case !slices.Contains(known, n):
			ps.Add(at+pointer(i), fmt.Sprintf("name one of %s", strings.Trim(fmt.Sprint(known), "[]")), "cylinder %d is not among the cylinders", n)
		case seen[n]:
			ps.Add(at+pointer(i), "name each cylinder once", "cylinder %d is %s", n, twice)
		}
		seen[n] = true
	}
}

// numbers are the cylinders' numbers, sorted.
func (e Engine) numbers() []int {
	numbers := slices.Clone(e.FiringOrder)
	for _, c := range e.Cylinder {
		numbers = append(numbers, c.Number)
	}
	slices.Sort(numbers)
	return slices.Compact(numbers)
}
