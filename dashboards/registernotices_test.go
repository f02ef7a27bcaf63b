package dashboards

import (
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/store"
)

// What is plugged in is told where the register expects something else, and only there.
func TestRegisterNotices(t *testing.T) {
	dial := func(identity, bench string) store.Instrument {
		return store.Instrument{State: store.LibraryKept, Record: store.InstrumentRecord{Kind: store.RegisterIndicator, Name: "of " + identity + bench, Identity: identity, BenchName: bench}}
	}
	retired, encoder := dial("usb-1", "left"), dial("usb-9", "")
	retired.State, encoder.Record.Kind = store.LibraryRetired, store.RegisterEncoder
	for name, row := range map[string]struct {
		register []store.Instrument
		plugged  string // identity of what is named left
		want     string
	}{
		"nobody keeps a register":            {nil, "usb-1", ""},
		"linked by identity":                 {[]store.Instrument{dial("usb-1", "left")}, "usb-1", ""},
		"linked by identity alone":           {[]store.Instrument{dial("usb-1", "")}, "usb-1", ""},
		"linked by its name alone":           {[]store.Instrument{dial("", "left"), dial("usb-2", "right")}, "usb-1", ""},
		"it has no identity":                 {[]store.Instrument{dial("usb-2", "left")}, "", ""},
		"the register goes by names":         {[]store.Instrument{dial("", "right")}, "usb-1", ""},
		"another one is plugged in":          {[]store.Instrument{dial("usb-2", "left")}, "usb-1", "indicator_unknown"},
		"a new one beside known ones":        {[]store.Instrument{dial("usb-2", "right")}, "usb-1", "indicator_unknown"},
		"only an encoder goes by identity":   {[]store.Instrument{encoder}, "usb-1", ""},
		"it was retired":                     {[]store.Instrument{retired, dial("usb-2", "right")}, "usb-1", "indicator_unknown"},
		"two changed places":                 {[]store.Instrument{dial("usb-1", "right"), dial("usb-2", "left")}, "usb-1", "indicator_swapped"},
		"it belongs elsewhere":               {[]store.Instrument{dial("usb-1", "right")}, "usb-1", "indicator_swapped"},
		"the place is another's":             {[]store.Instrument{dial("usb-1", ""), dial("usb-2", "left")}, "usb-1", "indicator_swapped"},
		"the place is another's by name":     {[]store.Instrument{dial("usb-1", ""), dial("", "left")}, "usb-1", "indicator_swapped"},
		"an encoder's identity is no dial's": {[]store.Instrument{encoder, dial("usb-2", "")}, "usb-9", "indicator_unknown"},
	} {
		got := noticesOf(row.register, []acquire.InstrumentState{{Name: "left", Identity: row.plugged}})
		code := ""
		for _, n := range got {
			code += n.Code
			if !strings.Contains(n.Text, "left") || n.Fix == "" {
				t.Errorf("%s: %+v", name, n)
			}
		}
		if code != row.want {
			t.Errorf("%s: %q, want %q", name, code, row.want)
		}
	}
}

// They stand among the bench's own.
func TestRegisterNoticesAreShown(t *testing.T) {
	a := startAPI(t, nil)
	a.bench.set(func(n *acquire.Snapshot) { n.Indicators[0].Identity = "usb-new" })
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"indicator","name":"old dial","identity":"usb-old"}}`))
	r := a.want(200, a.call("GET", "/api/v1/bench", ""))
	if !strings.Contains(string(r.body), "indicator_unknown") {
		t.Errorf("%s", r.body)
	}
	if page := a.want(200, a.call("GET", "/instruments", "")); !strings.Contains(string(page.body), "is not in the register") {
		t.Error("the instruments page does not tell")
	}
}
