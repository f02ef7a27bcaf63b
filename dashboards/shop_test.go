package dashboards

import (
	"os"
	"testing"

	"crownmark/acquire"
	"crownmark/fit/engine"
	"crownmark/store"
)

// fullShop has something of everything in a real store: an engine in the
// library, its job before and after grinding, the whole of both swept and some
// marks pressed, a report issued, and a bench that sweeps the second job.
func fullShop(t *testing.T) *api {
	t.Helper()
	a := startAPI(t, nil)
	e := engineNamed(t, veeEight)
	one, _, err := a.store.AddEngine(t.Context(), e, "test", "")
	if err != nil {
		t.Fatal(err)
	}
	truth := truthOf(e, 5)
	before := virtualJob(t, a.store, store.NewJob{Name: e.Name + ", assembled", Engine: e, LibraryEngine: one.ID, Actor: "test",
		Attributes: store.JobAttributes{Stage: new("assembled"), CustomerReference: new("Order 118"), Tags: &[]string{"race", "steel crank"}, Notes: new("No. 3 was reground.")}}, truth, -5, 0, 90)
	a.want(201, a.call("POST", "/api/v1/jobs/1/reports", stated))
	after := virtualJob(t, a.store, store.NewJob{Name: e.Name + ", after grinding", Engine: e, LibraryEngine: one.ID, Follows: before, Actor: "test",
		Attributes: store.JobAttributes{Stage: new("after_grinding")}}, ground(truth, 3, 0.3), 0)
	furnishRegister(t, a)
	talkative(a.bench)
	a.bench.set(func(n *acquire.Snapshot) {
		n.Recording, n.Selection = true, acquire.Selection{Job: after, Cylinders: map[string]int{"left": 3}}
		n.Encoder.Mount = 2 // what the second job was measured with
		n.Indicators[0].Cylinder = 3
	})
	speaks(t, a.server, a.bench)
	return a
}

// engineNamed is one of our own shop's engines.
func engineNamed(t testing.TB, name string) engine.Engine {
	t.Helper()
	file := "../cmd/crownmark/testdata/engines/" + name + ".toml"
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.Parse(file, b)
	if err != nil {
		t.Fatal(err)
	}
	return e
}
