package strict

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
)

// fill sets the struct that into points to from a tree of maps, lists and
// values, and says what does not fit.
func fill(into, tree any) Problems {
	var f filler
	f.value("", reflect.ValueOf(into).Elem(), tree)
	return f.problems
}

type filler struct{ problems Problems }

func (f *filler) value(at string, to reflect.Value, x any) {
	switch to.Kind() {
	case reflect.Pointer:
		if x == nil { // JSON null: as if absent
			return
		}
		v := reflect.New(to.Type().Elem())
		f.value(at, v.Elem(), x)
		to.Set(v)
	case reflect.Struct:
		if m, ok := x.(map[string]any); ok {
			f.table(at, to, m)
			return
		}
		f.mismatch(at, x, "a table of keys", "")
	case reflect.Slice:
		f.list(at, to, x)
	case reflect.String:
		if s, ok := x.(string); ok {
			to.SetString(s)
			return
		}
		f.mismatch(at, x, "a text", "put it in quotes")
	case reflect.Bool:
		if b, ok := x.(bool); ok {
			to.SetBool(b)
			return
		}
		f.mismatch(at, x, "true or false", "write true or false, without quotes")
	default:
		f.number(at, to, x)
	}
}

func (f *filler) table(at string, to reflect.Value, m map[string]any) {
	fields := map[string]int{}
	for i := range to.NumField() {
		if name := to.Type().Field(i).Tag.Get("toml"); name != "" {
			fields[name] = i
		}
	}
	for _, key := range slices.Sorted(maps.Keys(m)) {
		pointer := at + "/" + escape(key)
		if i, ok := fields[key]; ok {
			f.value(pointer, to.Field(i), m[key])
			continue
		}
		f.problems.Add(pointer, advise(key, fields), "unknown key %q", key)
	}
}

func (f *filler) list(at string, to reflect.Value, x any) {
	list, ok := x.([]any)
	if !ok {
		if _, table := x.(map[string]any); table {
			f.mismatch(at, x, "a list", "write [[double brackets]] round its heading")
		} else {
			f.mismatch(at, x, "a list", "write it in [brackets]")
		}
		return
	}
	to.Set(reflect.MakeSlice(to.Type(), len(list), len(list)))
	for i, e := range list {
		f.value(at+"/"+strconv.Itoa(i), to.Index(i), e)
	}
}

func (f *filler) number(at string, to reflect.Value, x any) {
	v, isNumber := math.NaN(), true
	switch n := x.(type) {
	case int64:
		v = float64(n)
	case float64:
		v = n
	case json.Number:
		v, _ = n.Float64()
	default:
		isNumber = false
	}
	switch {
	case !isNumber:
		f.mismatch(at, x, "a number", "write the number alone, without quotes or unit")
	case math.IsNaN(v) || math.IsInf(v, 0):
		f.problems.Add(at, "write a finite number", "%s is %v", last(at), x)
	case to.Kind() == reflect.Float64:
		to.SetFloat(v)
	case v != math.Trunc(v) || math.Abs(v) > 1e9:
		f.mismatch(at, x, "a whole number", "write it without a point")
	default:
		to.SetInt(int64(v))
	}
}

func (f *filler) mismatch(at string, x any, want, fix string) {
	if fix == "" {
		fix = "see the documentation of this key"
	}
	f.problems.Add(at, fix, "%s must be %s, not %s", last(at), want, describe(x))
}

func describe(x any) string {
	switch v := x.(type) {
	case nil:
		return "null"
	case string:
		return fmt.Sprintf("the text %q", v)
	case map[string]any:
		return "a table"
	case []any:
		return "a list"
	}
	return fmt.Sprint(x)
}

// last names the key at a pointer in words: "tdc_deg", "element 3 of firing_order".
func last(at string) string {
	parts := strings.Split(at, "/")
	name := parts[len(parts)-1]
	if n, err := strconv.Atoi(name); err == nil && len(parts) > 2 {
		return fmt.Sprintf("element %d of %s", n+1, last(strings.Join(parts[:len(parts)-1], "/")))
	}
	if name == "" {
		return "the whole"
	}
	return name
}
