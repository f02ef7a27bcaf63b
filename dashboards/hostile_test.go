package dashboards

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"crownmark/acquire"
)

// What is wrong is told shortly, however much of it was sent.
func TestManyFaultsAreToldShortly(t *testing.T) {
	a := startAPI(t, nil)
	a.job()
	var many strings.Builder
	for i := range 3000 {
		fmt.Fprintf(&many, `"k%d":1,`, i)
	}
	r := a.want(422, a.call("PATCH", "/api/v1/jobs/1", "{"+many.String()+`"z":1}`))
	if len(r.pointers()) != 20 || !strings.Contains(string(r.body), "3001 things") {
		t.Errorf("%d faults told: %.300s", len(r.pointers()), r.body)
	}
	r = a.want(422, a.call("PATCH", "/api/v1/jobs/1", `{"state":"`+strings.Repeat("ü", 30000)+`"}`))
	if len(r.body) > 2000 || !strings.Contains(string(r.body), "is no state of a job") {
		t.Errorf("%d bytes: %.300s", len(r.body), r.body)
	}
}

// A key of thousands of parts is refused before it is read.
func TestAnEngineFileHasShortLines(t *testing.T) {
	a := startAPI(t, nil)
	r := a.want(422, a.call("POST", "/api/v1/engines", "name = \"x\"\na"+strings.Repeat(".a", 20000)+" = 1\n", "Content-Type", tomlType))
	if !strings.Contains(string(r.body), "line 2: longer than") {
		t.Errorf("%.300s", r.body)
	}
}

func TestAnUnknownIndicatorIsPointedAt(t *testing.T) {
	a := startAPI(t, nil)
	a.bench.err = fmt.Errorf("%w \"x\": this bench has left", acquire.ErrUnknownIndicator)
	r := a.want(422, a.call("POST", "/api/v1/bench/zero", `{"indicator":"x","on":"deck"}`))
	if got := strings.Join(r.pointers(), " "); got != "/indicator" || !strings.HasSuffix(r.doc["type"].(string), "unknown-indicator") {
		t.Errorf("%s", r.body)
	}
}

func TestATextWhereANumberBelongs(t *testing.T) {
	var in struct {
		Mark   json.Number  `json:"mark"`
		Height *json.Number `json:"height"`
	}
	err := decodeStrict([]byte(`{"mark":"x","height":""}`), &in)
	p := problemOf(err)
	if len(p.Errors) != 2 {
		t.Fatalf("%v %+v", err, p)
	}
	for _, f := range p.Errors {
		if f.Detail != "a text stands where a number belongs" {
			t.Errorf("%+v", f)
		}
	}
}

func TestOnlyAWayOnThisSiteLeadsBack(t *testing.T) {
	for back, want := range map[string]string{"/jobs?after=1#x": "/jobs?after=1", "//evil.example": "/", "/\\evil.example": "/", "https://evil.example": "/",
		"%2f%2fevil.example": "/", "javascript:alert(1)": "/", "/\r\nX: y": "/", "": "/"} {
		if got := ownPath(back); got != want {
			t.Errorf("%q leads to %q, want %q", back, got, want)
		}
	}
}
