package report

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"crownmark/store"
)

// Keeper is what Follow needs of a store.
type Keeper interface {
	Report(ctx context.Context, number int64) (store.Report, error)
	Standing(ctx context.Context, job, ledger int64) (store.Standing, error)
}

// Tolerance is what another version of the program, or another kind of
// processor, may differ by, relative to the figure; the same program on the same
// kind must give the same bits.
const Tolerance = 1e-9

// Finding is what Follow found.
type Finding struct {
	OK       bool     `json:"ok"`
	Number   int64    `json:"number"`
	Job      int64    `json:"job"`
	Hash     string   `json:"hash"` // of the document as it is now
	Figures  int      `json:"figures"`
	Rule     string   `json:"rule"`     // how figures were compared
	Problems []string `json:"problems"` // what does not follow, results first
}

// Follow makes an issued report's document again, from the raw readings as they
// stood when it was issued, and compares every figure. An error means that it
// could not be done; what does not follow is in the finding.
func Follow(ctx context.Context, k Keeper, number int64, software string, solve Solver) (Finding, error) {
	r, err := k.Report(ctx, number)
	if err != nil {
		return Finding{}, err
	}
	frozen, err := parse(r)
	if err != nil {
		return Finding{}, err
	}
	f := Finding{Number: number, Job: r.Job, Hash: HashOf(r.Document), Problems: []string{}}
	if f.Hash != r.Hash {
		f.Problems = append(f.Problems, "the document itself: its hash is "+f.Hash+", and "+r.Hash+" was kept when it was issued")
	}
	st, err := k.Standing(ctx, frozen.Job.ID, frozen.Ledger.ID)
	if err != nil {
		return f, err
	}
	now, err := Draft(st, frozen.Stated, software, solve)
	if err != nil {
		return f, fmt.Errorf("report %d: %w", number, err)
	}
	then, maker := Maker{frozen.Software, frozen.Platform}, Maker{now.Software, now.Platform}
	now.Software, now.Platform, now.Number, now.IssuedAt = frozen.Software, frozen.Platform, number, &r.IssuedAt
	now.Index.Software = frozen.Software
	c, err := Compare(r.Document, now, then, maker)
	if err != nil {
		return f, fmt.Errorf("report %d: %w", number, err)
	}
	f.Rule, f.Figures, f.Problems = c.Rule, c.Figures, append(f.Problems, c.Problems...)
	f.OK = len(f.Problems) == 0
	return f, nil
}

// comparison walks two documents side by side.
type comparison struct {
	strict   bool
	figures  int
	problems []problem
}

// problem is one place that differs; rank 0 is what a customer acts on, 3 a
// point of a curve.
type problem struct {
	rank int
	text string
}

// Maker is a program on a kind of processor.
type Maker struct{ Software, Platform string }

// Compared is what a comparison of two documents found.
type Compared struct {
	Rule     string   // how figures were compared
	Figures  int      // how many
	Problems []string // what does not follow, results first
}

// Compare holds a frozen document against the same one made again.
func Compare(document []byte, again any, then, now Maker) (Compared, error) {
	c := comparison{strict: then == now}
	err := c.compare(document, again)
	return Compared{c.rule(then, now), c.figures, c.sorted()}, err
}

func (c *comparison) rule(then, now Maker) string {
	if c.strict {
		return "the same program on the same kind of processor: every figure must be the same to the last bit"
	}
	return fmt.Sprintf("issued by %s on %s, made again by %s on %s: figures may differ by %g of themselves, and texts are not compared",
		then.Software, then.Platform, now.Software, now.Platform, Tolerance)
}

func (c *comparison) compare(document []byte, now any) error {
	again, err := json.Marshal(now)
	if err != nil {
		return err
	}
	var a, b any
	for _, one := range []struct {
		from []byte
		into *any
	}{{document, &a}, {again, &b}} {
		d := json.NewDecoder(bytes.NewReader(one.from))
		d.UseNumber()
		if err := d.Decode(one.into); err != nil {
			return err
		}
	}
	c.walk(nil, a, b)
	return nil
}

func (c *comparison) walk(at []string, then, now any) {
	switch then := then.(type) {
	case map[string]any:
		now, _ := now.(map[string]any)
		for key, value := range then {
			c.walk(append(slices.Clip(at), key), value, now[key])
		}
		for key := range now {
			if _, ok := then[key]; !ok && c.strict {
				c.differ(append(slices.Clip(at), key), nil, now[key])
			}
		}
	case []any:
		now, _ := now.([]any)
		if len(then) != len(now) {
			c.differ(at, fmt.Sprintf("%d entries", len(then)), fmt.Sprintf("%d entries", len(now)))
		}
		for i := range min(len(then), len(now)) {
			c.walk(append(slices.Clip(at), entryName(then[i], i)), then[i], now[i])
		}
	case json.Number:
		c.figures++
		if n, ok := now.(json.Number); !ok || !c.same(at, then, n) {
			c.differ(at, then, now)
		}
	default:
		if _, text := then.(string); then != now && (c.strict || !text || !isWording(at)) {
			c.differ(at, then, now)
		}
	}
}

// same compares two figures; what was rounded for drawing may fall either way.
func (c *comparison) same(at []string, then, now json.Number) bool {
	if c.strict || then == now {
		return then == now
	}
	a, errA := then.Float64()
	b, errB := now.Float64()
	tolerance := Tolerance * math.Max(math.Abs(a), math.Abs(b))
	for key, place := range drawnPlaces() {
		if slices.Contains(at, key) {
			tolerance = 1.01 / place
		}
	}
	return errA == nil && errB == nil && math.Abs(a-b) <= tolerance
}

// isWording tells what another version may say better from words that are results.
func isWording(at []string) bool {
	switch at[len(at)-1] {
	case "verdict", "overall", "status", "source", "direction", "cause", "reason", "stage", "hash", "state", "name":
		return false
	}
	return !slices.Contains(at, "flags")
}

func (c *comparison) differ(at []string, then, now any) {
	rank := 2
	switch {
	case slices.Contains(at, "curves"):
		rank = 3
	case slices.Contains([]string{"index_error_deg", "throw_error_deg", "verdict", "overall", "trim_set_deg", "closure_deg", "error_deg"}, at[len(at)-1]):
		rank = 0
	case at[0] == "index":
		rank = 1
	}
	c.problems = append(c.problems, problem{rank, fmt.Sprintf("%s: %s was issued, %s follows from the readings", strings.Join(at, ", "), shown(then), shown(now))})
}

func (c *comparison) sorted() []string {
	slices.SortStableFunc(c.problems, func(a, b problem) int {
		if a.rank != b.rank {
			return a.rank - b.rank
		}
		return strings.Compare(a.text, b.text)
	})
	out := make([]string, len(c.problems))
	for i, p := range c.problems {
		out[i] = p.text
	}
	return out
}

// entryName names an entry of a list as people know it.
func entryName(v any, i int) string {
	m, _ := v.(map[string]any)
	if n, ok := m["number"].(json.Number); ok {
		return "cylinder " + n.String()
	}
	for _, key := range []string{"source", "indicator", "sweep", "id", "stream", "mark_deg", "shows_deg", "drop_mm", "step_deg"} {
		if name, ok := m[key]; ok {
			return fmt.Sprintf("%s %v", key, name)
		}
	}
	return strconv.Itoa(i + 1)
}

func shown(v any) string {
	switch v := v.(type) {
	case nil:
		return "nothing"
	case string:
		return strconv.Quote(v)
	case map[string]any, []any:
		return "something"
	}
	return fmt.Sprint(v)
}
