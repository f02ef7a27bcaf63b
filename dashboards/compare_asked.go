package dashboards

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// asked is what a comparison is asked for. The page's address holds all of it.
type asked struct {
	Sweeps []int64 // in this order; empty where Jobs are given
	Jobs   []int64 // all their sweeps, each cylinder against the same one of the first
	On     string  // onTop or onNominal
	Ref    int64   // the sweep that all others are held against; 0: see pairing
	// The angles shown; nil: all there are.
	From, To *float64
}

// What a curve stands on.
const (
	onTop     = "top"     // its cylinder's own measured top
	onNominal = "nominal" // where the engine says that the top should be
)

const mostCompared = 64 // sweeps at once: before and after of eight cylinders, four each

// askedOf reads a comparison from a query; every fault is told.
func askedOf(q url.Values) (asked, error) {
	c := asked{On: onTop}
	var faults []Fault
	for key, values := range q {
		if len(values) > 1 {
			faults = append(faults, Fault{"?" + key, "given twice", "give it once"})
			continue
		}
		if f := c.set(key, values[0]); f != nil {
			faults = append(faults, *f)
		}
	}
	if len(c.Sweeps) > 0 && len(c.Jobs) > 0 {
		faults = append(faults, Fault{"?jobs", "sweeps and jobs are both given", "give one of them"})
	}
	if c.Ref > 0 && len(c.Sweeps) > 0 && !slices.Contains(c.Sweeps, c.Ref) {
		faults = append(faults, Fault{"?ref", fmt.Sprintf("sweep %d is not among the sweeps", c.Ref), "take one of them"})
	}
	if c.From != nil && c.To != nil && *c.From >= *c.To {
		faults = append(faults, Fault{"?from", "not below to", "give the smaller angle first"})
	}
	if len(faults) > 0 {
		slices.SortFunc(faults, func(a, b Fault) int { return strings.Compare(a.Pointer, b.Pointer) })
		return c, invalid(faults...)
	}
	return c, nil
}

func (c *asked) set(key, value string) *Fault {
	var err error
	switch key {
	case "sweeps":
		c.Sweeps, err = idsOf(value)
	case "jobs":
		c.Jobs, err = idsOf(value)
	case "ref":
		if c.Ref, err = strconv.ParseInt(value, 10, 64); err != nil || c.Ref < 1 {
			err = fmt.Errorf("%q is not an id", value)
		}
	case "from":
		c.From, err = angleOf(value)
	case "to":
		c.To, err = angleOf(value)
	case "on":
		if c.On = value; value != onTop && value != onNominal {
			return &Fault{"?on", fmt.Sprintf("%q is no place to lay curves on", value), "top or nominal"}
		}
	default:
		return &Fault{"?" + key, "unknown key", "known keys: sweeps, jobs, on, ref, from, to"}
	}
	if err != nil {
		return &Fault{"?" + key, err.Error(), "such as ?sweeps=12,14,31&on=top&ref=12, or ?jobs=3,7"}
	}
	return nil
}

func idsOf(text string) ([]int64, error) {
	var ids []int64
	for one := range strings.SplitSeq(text, ",") {
		id, err := strconv.ParseInt(one, 10, 64)
		if err != nil || id < 1 {
			return nil, fmt.Errorf("%q is not an id", one)
		}
		if !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	if len(ids) > mostCompared {
		return nil, fmt.Errorf("%d are more than %d", len(ids), mostCompared)
	}
	return ids, nil
}

func angleOf(text string) (*float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v >= -720 && v <= 720) {
		return nil, fmt.Errorf("%q is not an angle in degrees", text)
	}
	return &v, nil
}

func (c asked) empty() bool { return len(c.Sweeps) == 0 && len(c.Jobs) == 0 }

// Query writes the choice as an address has it, keys always in one order.
func (c asked) Query() string {
	var parts []string
	add := func(key, value string) { parts = append(parts, key+"="+value) }
	switch {
	case len(c.Sweeps) > 0:
		add("sweeps", joined(c.Sweeps))
	case len(c.Jobs) > 0:
		add("jobs", joined(c.Jobs))
	}
	if c.On != onTop && c.On != "" {
		add("on", c.On)
	}
	if c.Ref > 0 {
		add("ref", strconv.FormatInt(c.Ref, 10))
	}
	if c.From != nil {
		add("from", cell(c.From))
	}
	if c.To != nil {
		add("to", cell(c.To))
	}
	return strings.Join(parts, "&")
}

func joined(ids []int64) string {
	var b []byte
	for i, id := range ids {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendInt(b, id, 10)
	}
	return string(b)
}

// Page is the address of the comparison's page.
func (c asked) Page() string {
	if q := c.Query(); q != "" {
		return "/compare?" + q
	}
	return "/compare"
}

// File is the address of a file of the comparison, svg or csv.
func (c asked) File(kind string) string { return "/api/v1/compare." + kind + "?" + c.Query() }
