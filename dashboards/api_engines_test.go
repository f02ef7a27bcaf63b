package dashboards

import (
	"strings"
	"testing"

	"crownmark/fit/engine"

	"github.com/google/go-cmp/cmp"
)

const practiceFile = `name = "Bench vee"
stroke_mm = 86
rod_mm = 143.5
[[cylinder]]
number = 1
tdc_deg = 0.0
[[cylinder]]
number = 2
tdc_deg = 90.0
pin_offset_mm = -0.8
`

func TestLibraryOverTheAPI(t *testing.T) {
	a := startAPI(t, nil)
	if r := a.want(200, a.call("GET", "/api/v1/engines", "")); string(r.body) != `{"items":[],"next":null}`+"\n" {
		t.Errorf("a new store's library: %s", r.body)
	}
	r := a.want(201, a.call("POST", "/api/v1/engines", `{"engine":`+practiceFour+`}`, "Idempotency-Key", "k"))
	if r.head.Get("Location") != "/api/v1/engines/1" || r.doc["revision"] != 1.0 || r.doc["state"] != "kept" {
		t.Errorf("added: %s", r.body)
	}
	if again := a.want(201, a.call("POST", "/api/v1/engines", `{"engine":`+practiceFour+`}`, "Idempotency-Key", "k")); again.doc["id"] != 1.0 || again.head.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the pedal bounced: %s", again.body)
	}
	r = a.want(201, a.call("POST", "/api/v1/engines", practiceFile, "Content-Type", "application/toml; charset=utf-8"))
	if r.doc["id"] != 2.0 {
		t.Errorf("imported: %s", r.body)
	}
	file := a.want(200, a.call("GET", "/api/v1/engines/2/engine.toml", ""))
	want, err := engine.Parse("a", []byte(practiceFile))
	if err != nil {
		t.Fatal(err)
	}
	got, err := engine.Parse("b", file.body)
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v %s", err, diff)
	}
	wider := strings.Replace(practiceFour, `"index_limit_deg":0.5`, `"index_limit_deg":0.25`, 1)
	a.want(201, a.call("POST", "/api/v1/jobs", `{"engine_id":1}`))
	if r := a.want(200, a.call("PATCH", "/api/v1/engines/1", `{"engine":`+wider+`}`)); r.doc["revision"] != 2.0 {
		t.Errorf("changed: %s", r.body)
	}
	job := a.want(200, a.call("GET", "/api/v1/jobs/1", ""))
	if limit := job.doc["engine"].(map[string]any)["index_limit_deg"]; limit != 0.5 || job.doc["engine_id"] != 1.0 {
		t.Errorf("a change of the library reached a job: %s", job.body)
	}
	if r := a.want(200, a.call("PATCH", "/api/v1/engines/2", `{"state":"retired"}`)); r.doc["state"] != "retired" {
		t.Errorf("retired: %s", r.body)
	}
	if r := a.want(200, a.call("GET", "/api/v1/engines?limit=1&after=1", "")); len(r.doc["items"].([]any)) != 1 {
		t.Errorf("second page: %s", r.body)
	}
	star := a.want(200, a.call("POST", "/api/v1/engines/star", `{"engine":`+practiceFour+`}`))
	wellFormed(t, string(star.body))
}

func TestWhatIsWrongWithAnEngine(t *testing.T) {
	a := startAPI(t, nil)
	bad := "name = \"x\"\nstroke = 86\nstroke_mm = \"long\"\nfiring_order = [1]\n"
	r := a.want(422, a.call("POST", "/api/v1/engines", bad, "Content-Type", "application/toml"))
	if !strings.Contains(string(r.body), `line 2: unknown key \"stroke\"`) || !strings.Contains(string(r.body), "line 3: ") {
		t.Errorf("no lines: %s", r.body)
	}
	a.want(201, a.call("POST", "/api/v1/engines", practiceFile, "Content-Type", "application/toml"))
	for _, row := range []struct {
		method, path, body string
		status             int
		pointers           string
	}{
		{"POST", "/api/v1/engines", `{"engine":{"name":"x","stroke_mm":-1,"firing_order":[1]}}`, 422, "/engine/stroke_mm"},
		{"POST", "/api/v1/engines", `{}`, 422, "/engine"},
		{"POST", "/api/v1/engines/star", `{"engine":{"name":"x","stroke_mm":86}}`, 422, "/engine/firing_order"},
		{"PATCH", "/api/v1/engines/1", `{}`, 422, ""},
		{"PATCH", "/api/v1/engines/1", `{"state":"sold"}`, 422, "/state"},
		{"PATCH", "/api/v1/engines/9", `{"state":"kept"}`, 404, ""},
		{"GET", "/api/v1/engines/9", "", 404, ""},
		{"POST", "/api/v1/jobs", `{"engine_id":9}`, 422, "/engine_id"},
		{"POST", "/api/v1/jobs", `{"engine_id":1,"follows":1}`, 422, "/engine /follows"},
		{"POST", "/api/v1/jobs", `{"follows":7}`, 422, "/follows"},
		{"POST", "/api/v1/jobs", `{"engine_id":1,"order":[1]}`, 422, "/order"},
		{"POST", "/api/v1/jobs", `{"engine_id":1,"order":"1-2"}`, 422, "/order"},
		{"POST", "/api/v1/jobs", `{"engine_id":1,"stage":"painted"}`, 422, "/stage"},
		{"POST", "/api/v1/jobs", `{"engine_id":1,"tags":["a","a","b,c",""]}`, 422, "/tags/1 /tags/2 /tags/3"},
		{"POST", "/api/v1/jobs", `{"engine_id":1,"customer_reference":" x"}`, 422, "/customer_reference"},
		{"POST", "/api/v1/jobs", `{"engine_id":1,"notes":"` + strings.Repeat("n", maxNotesRunes+1) + `"}`, 422, "/notes"},
	} {
		r := a.call(row.method, row.path, row.body)
		if got := strings.Join(r.pointers(), " "); r.status != row.status || got != row.pointers {
			t.Errorf("%s %s %.80s: %d %q, want %d %q: %s", row.method, row.path, row.body, r.status, got, row.status, row.pointers, r.body)
		}
	}
	a.want(415, a.call("POST", "/api/v1/engines", "x", "Content-Type", "text/plain"))
}

func TestWhatBelongsToAJob(t *testing.T) {
	a := startAPI(t, nil)
	r := a.want(201, a.call("POST", "/api/v1/jobs", `{"engine":`+practiceFour+`,"stage":"assembled","customer_reference":"Order 118","tags":["race"],"notes":"No. 3 was\nreground"}`))
	if diff := cmp.Diff([]any{1.0, 3.0, 4.0, 2.0}, r.doc["order"]); r.doc["stage"] != "assembled" || diff != "" || r.doc["cautions_acknowledged_at"] != nil {
		t.Errorf("%s%s", r.body, diff)
	}
	r = a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"stage":"bare_block","order":[]}`))
	if diff := cmp.Diff([]any{1.0, 4.0, 2.0, 3.0}, r.doc["order"]); r.doc["customer_reference"] != "Order 118" || diff != "" {
		t.Errorf("%s%s", r.body, diff)
	}
	r = a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"order":[4,3,2,1]}`))
	if diff := cmp.Diff([]any{4.0, 3.0, 2.0, 1.0}, r.doc["order"]); diff != "" {
		t.Error(diff)
	}
	if r := a.call("PATCH", "/api/v1/jobs/1", `{"order":[4,3,2,2]}`); r.status != 422 || strings.Join(r.pointers(), " ") != "/order" {
		t.Errorf("an order with a cylinder twice: %d %s", r.status, r.body)
	}
	first := a.want(200, a.call("POST", "/api/v1/jobs/1/cautions", ""))
	again := a.want(200, a.call("POST", "/api/v1/jobs/1/cautions", "", "Sec-Fetch-Site", "same-origin"))
	if first.doc["cautions_acknowledged_at"] == nil || again.doc["cautions_acknowledged_at"] != first.doc["cautions_acknowledged_at"] || again.doc["cautions_acknowledged_by"] != "api" {
		t.Errorf("%s then %s", first.body, again.body)
	}
	r = a.want(201, a.call("POST", "/api/v1/jobs", `{"follows":1,"stage":"after_grinding"}`))
	if r.doc["follows"] != 1.0 || r.doc["customer_reference"] != "Order 118" || r.doc["name"] != "Practice four" || r.doc["cautions_acknowledged_at"] != nil ||
		!cmp.Equal(r.doc["tags"], []any{"race"}) || !cmp.Equal(r.doc["order"], []any{4.0, 3.0, 2.0, 1.0}) || r.doc["notes"] != "" {
		t.Errorf("the job after it: %s", r.body)
	}
	a.want(404, a.call("POST", "/api/v1/jobs/9/cautions", ""))
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"state":"closed"}`))
	a.want(409, a.call("PATCH", "/api/v1/jobs/1", `{"notes":"late"}`))
}
