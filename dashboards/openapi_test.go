package dashboards

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
)

// spec is openapi.json, as far as the tests need it.
type spec struct {
	Paths      map[string]map[string]operation `json:"paths"`
	Components struct {
		Schemas   map[string]any      `json:"schemas"`
		Responses map[string]response `json:"responses"`
	} `json:"components"`
}

type operation struct {
	OperationID string              `json:"operationId"`
	Responses   map[string]response `json:"responses"`
	RequestBody *response           `json:"requestBody"`
}

type response struct {
	Ref     string             `json:"$ref"`
	Content map[string]content `json:"content"`
}

type content struct {
	Schema  any `json:"schema"`
	Example any `json:"example"`
}

func readSpec(t testing.TB) spec {
	t.Helper()
	var s spec
	if err := json.Unmarshal(openAPI, &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// check says where v does not fit the schema: types, required and unknown
// keys, enums, items, references and oneOf.
func (s spec) check(schema, v any, at string) []string {
	m, _ := schema.(map[string]any)
	if name, ok := m["$ref"].(string); ok {
		target, ok := s.Components.Schemas[strings.TrimPrefix(name, "#/components/schemas/")]
		if !ok {
			return []string{at + ": no schema " + name}
		}
		return s.check(target, v, at)
	}
	if any, ok := m["oneOf"].([]any); ok {
		for _, one := range any {
			if len(s.check(one, v, at)) == 0 {
				return nil
			}
		}
		return []string{at + ": fits none of oneOf"}
	}
	if !slices.ContainsFunc(typesOf(m["type"]), func(want string) bool { return isType(want, v) }) {
		return []string{fmt.Sprintf("%s: %v is not %v", at, v, m["type"])}
	}
	if enum, ok := m["enum"].([]any); ok && !slices.Contains(enum, v) {
		return []string{fmt.Sprintf("%s: %v is none of %v", at, v, enum)}
	}
	switch v := v.(type) {
	case []any:
		var faults []string
		for i, item := range v {
			faults = append(faults, s.check(m["items"], item, fmt.Sprintf("%s/%d", at, i))...)
		}
		return faults
	case map[string]any:
		return s.checkObject(m, v, at)
	}
	return nil
}

func (s spec) checkObject(m, v map[string]any, at string) (faults []string) {
	properties, _ := m["properties"].(map[string]any)
	required, _ := m["required"].([]any)
	for _, key := range required {
		if _, ok := v[key.(string)]; !ok {
			faults = append(faults, at+"/"+key.(string)+": missing")
		}
	}
	for key, value := range v {
		schema, known := properties[key]
		if !known {
			schema = m["additionalProperties"]
		}
		switch schema {
		case nil, true:
		case false:
			faults = append(faults, at+"/"+key+": not documented")
		default:
			faults = append(faults, s.check(schema, value, at+"/"+key)...)
		}
	}
	return faults
}

func typesOf(t any) []string {
	switch t := t.(type) {
	case string:
		return []string{t}
	case []any:
		var out []string
		for _, v := range t {
			out = append(out, v.(string))
		}
		return out
	}
	return []string{"object", "array", "string", "number", "boolean", "null"}
}

func isType(want string, v any) bool {
	switch v := v.(type) {
	case nil:
		return want == "null"
	case bool:
		return want == "boolean"
	case string:
		return want == "string"
	case float64:
		return want == "number" || (want == "integer" && v == math.Trunc(v))
	case []any:
		return want == "array"
	case map[string]any:
		return want == "object"
	}
	return false
}

// answer finds the documented schema of an answer, and false when that status
// or content type is not documented.
func (s spec) answer(method, path string, status int, kind string) (any, bool) {
	op, ok := s.Paths[path][strings.ToLower(method)]
	if !ok {
		return nil, false
	}
	r, ok := op.Responses[fmt.Sprint(status)]
	if !ok && status >= 400 {
		r, ok = op.Responses["default"]
	}
	if name, found := strings.CutPrefix(r.Ref, "#/components/responses/"); found {
		r = s.Components.Responses[name]
	}
	if !ok || (kind == "" && len(r.Content) == 0) {
		return nil, ok
	}
	c, ok := r.Content[kind]
	return c.Schema, ok
}

// documented is a route's path as the description writes it.
func documented(path string) string { return strings.TrimSuffix(path, "{$}") }

func TestEveryRouteIsDescribedAndTheOtherWayRound(t *testing.T) {
	described := map[string]bool{}
	for path, methods := range readSpec(t).Paths {
		for method, op := range methods {
			described[strings.ToUpper(method)+" "+path] = true
			if op.OperationID == "" {
				t.Errorf("%s %s has no operationId", method, path)
			}
		}
	}
	served := map[string]bool{}
	for _, r := range (&Server{}).routes() {
		served[r.method+" "+documented(r.path)] = true
	}
	for _, r := range slices.Sorted(maps.Keys(served)) {
		if !described[r] {
			t.Errorf("%s is served and not described", r)
		}
	}
	for _, r := range slices.Sorted(maps.Keys(described)) {
		if !served[r] {
			t.Errorf("%s is described and not served", r)
		}
	}
}

func TestEveryExampleFitsItsSchema(t *testing.T) {
	s := readSpec(t)
	ids := map[string]bool{}
	check := func(at string, r response) {
		for kind, c := range r.Content {
			if strings.Contains(kind, "json") && c.Example != nil {
				for _, fault := range s.check(c.Schema, c.Example, "") {
					t.Errorf("%s: %s", at, fault)
				}
			}
		}
	}
	for path, methods := range s.Paths {
		for method, op := range methods {
			if ids[op.OperationID] {
				t.Errorf("operationId %s twice", op.OperationID)
			}
			ids[op.OperationID] = true
			for status, r := range op.Responses {
				check(method+" "+path+" "+status, r)
			}
			if op.RequestBody != nil {
				check(method+" "+path+" body", *op.RequestBody)
			}
		}
	}
	for name, r := range s.Components.Responses {
		check(name, r)
	}
}

// The checker itself must be able to fail.
func TestTheSchemaCheckFails(t *testing.T) {
	s := readSpec(t)
	for body, want := range map[string]string{
		`{"job":1}`:                        "/mark_deg: missing",
		`{"job":"one","mark_deg":1}`:       "/job: one is not integer",
		`{"job":1.5,"mark_deg":1}`:         "/job: 1.5 is not integer",
		`{"job":1,"mark_deg":1,"speed":2}`: "/speed: not documented",
		`{"job":1,"mark_deg":null}`:        "/mark_deg: <nil> is not number",
		`[1]`:                              ": [1] is not object",
	} {
		var v any
		if err := json.Unmarshal([]byte(body), &v); err != nil {
			t.Fatal(err)
		}
		if got := s.check(s.Components.Schemas["NewMark"], v, ""); len(got) != 1 || got[0] != want {
			t.Errorf("%s: %q, want %q", body, got, want)
		}
	}
	if _, ok := s.answer("GET", "/api/v1/jobs", http.StatusTeapot, "application/json"); ok {
		t.Error("a status that is not documented was found")
	}
}
