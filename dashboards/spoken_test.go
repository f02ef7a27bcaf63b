package dashboards

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/store"
)

// speakers are the functions whose arguments (by number) reach a page.
var speakers = map[string][]int{
	"say": {0}, "notice": {1, 2}, "passing": {1, 2}, "newProblem": {2, 3, 4}, "misread": {1, 2},
	"noticeNewMount": {0}, "portFailed": {1}, "Add": {1, 2}, "inRange": {6}, "oneOf": {}, "refuse": {1, 2},
}

// tellings are the fields of literals that reach a page: by number, or by name.
var tellings = map[string][]any{
	"FlagNote": {1, 2}, "": {1, 2}, "PortError": {2, 3, "What", "Fix"}, "Fault": {1, 2, "Detail", "Fix"}, "step": {1, 2, "Do", "How"},
	"errorRow": {3, 4}, "noticeEvent": {1, 2}, "act": {"Text"}, "StandRefusal": {1, 2},
}

// sample is what stands for an expression whose value only a run knows.
var samples = map[string]string{
	"cylinders(l)": "cylinders 2, 3 and 4", "upper(cylinders(l))": "Cylinders 2, 3 and 4", "were(l)": "Cylinders 2 and 3 were", "cylinders(all)": "cylinders 1 and 3", "cylinder": "3", "name": "app.js",
	"n.Cause": "Too few readings of a sweep could be used.", "n.Cure": "Turn more slowly, or use an instrument that reads faster.",
	"what": "The sweeps made half as wide again", "c.Budget[0].Source": "rod length", "plain(doc.TrimStepDeg)": "0.5",
	"one.label()": "indicator left", "sentenceStart(one.label())": "The encoder", "one.cfg.Name": "left", "e.Port": "/dev/ttyUSB0", "e.What": "is not there",
	"e.Fix": "plug the instrument in again; it goes on by itself", "one.badText": "garbage: no such frame", "one.cfg.formatKeys()": "pattern", "one.cfg.Frame": "8N1",
	"clip(one.badRaw)": "+0,1\x00", "one.cfg.whenSilent()": `compare "request" in the bench file with its manual`, "err": store.ErrStorageFull.Error(),
	"whyNone(b)": "not swept", "whyNone(cylinder)": "not swept",
	"me.Username": "me", "j.Name": "top", "group": "dialout", "doing": "reading", "h.height.Name": "left", "instrumentWord(i)": "indicator “left”",
	"cylindersText(on)": "cylinders 2 and 3", "cylindersText(next)": "cylinder 2", "numbersText(next)": "2 and 3", `strings.Join(words, ", ")`: "“left” on cylinder 2, “right” on cylinder 3",
	`strings.Join(index.Advice, " ")`: "Still to sweep: cylinder 3.", "v.Runs": "clockwise seen from the damper end", "wayWords(-h.direction)": "back", "wayWords(h.direction)": "in running direction",
	"strings.TrimPrefix(one.badText, string(one.badWhy))": ": the instrument reports an error", `strings.Trim(fmt.Sprint(slices.Compact(numbers)), "[]")`: "1 2 3", "at[1:]": "turn_back", "unit": " mm",
	"s.cfg.Name": "left", "l.stand.cfg.Name": "left", "b.Indicator": "left", "i.Name": "left", "record.Name": "shelf dial", "side": "below",
	"notLeft": "the display has not left the point since it was taken", "again": "go back until the display shows 1.5, then come up to the point again", "way": "up",
	"r.URL.Path": "/api/v1/nothing", "p.Name": "left", "list[at].Record.Name": "old dial", "r.Method": "DELETE", "v.degrees(aimDeg)": "30°", "v.Travel": "44.0 mm", "v.Reserve": "2.0 mm",
}

// refusals are the files whose errors a page is told in their own words.
var refusals = []string{"requests.go", "handsweep.go", "steady.go", "stand.go"}

func init() {
	for e, err := range map[string]error{"ErrNoSelection": acquire.ErrNoSelection, "ErrWrongJob": acquire.ErrWrongJob, "ErrNotLive": acquire.ErrNotLive, "ErrNoMotion": acquire.ErrNoMotion,
		"ErrUnknownIndicator": acquire.ErrUnknownIndicator, "ErrNoHandSweep": acquire.ErrNoHandSweep, "ErrNothingRead": acquire.ErrNothingRead, "ErrUnsteady": acquire.ErrUnsteady,
		"ErrStandBusy": acquire.ErrStandBusy, "ErrOnEngine": acquire.ErrOnEngine, "ErrOnStand": acquire.ErrOnStand, "ErrAllTaken": acquire.ErrAllTaken, "ErrNoStand": acquire.ErrNoStand} {
		samples[e] = err.Error()
	}
	for _, state := range []string{"l.status(l.enc)", "l.status(one)"} {
		samples[state] = acquire.StatusSilent
	}
	for e, list := range map[string]string{"strings.Join(allowed, \", \")": "clockwise, anticlockwise", "strings.Join(slices.Sorted(maps.Keys(known)), \", \")": "left, right", "numbers(job)": "1, 2, 3, 4",
		"list": "GET, HEAD, POST", "strings.Join(names, \", \")": "left, right", "p.Detail": "a [[cylinder]] has no number, or one below 1", `strings.Join(types, " or ")`: "application/json", `strings.Join(store.Stages(), ", ")`: "bare block, in car",
		`strings.Join(known, ` + "`\", \"`)": `bare", "fitted`, `strings.Join(q.known, ", ")`: "mm, in", `strings.Trim(fmt.Sprint(known), "[]")`: "1 2 3", `strings.Trim(fmt.Sprint(numbers), "[]")`: "1 2 3",
		"twice": "on two pins, or twice on one", "like": "0.125 or 0.005 in", "why": "job 3 is another engine than the one before", "err.Error()": store.ErrClosed.Error(),
		"orTakeBack": "; if the one before was wrong, take that back", "seePorts": "`crownmark ports` lists what is there"} {
		samples[e] = list
	}
	for _, args := range []string{"doc.ClosureDeg, doc.ClosureU95Deg", "c.ThrowErrorDeg, c.ThrowU95Deg"} {
		samples["WithDoubt("+args+")"] = "+0.12 ± 0.03"
	}
}

// teller reads the sentences out of a package's source.
type teller struct {
	t     *testing.T
	fset  *token.FileSet
	files map[string][]byte
	heard map[string]string // sentence → where
	lacks map[string]string // expression without a sample → where
}

func (r *teller) source(e ast.Expr) string {
	f := r.fset.Position(e.Pos())
	return string(r.files[f.Filename][f.Offset : f.Offset+int(e.End()-e.Pos())])
}

var verb = regexp.MustCompile(`%(?:[-+#]?[\d.*]*)([a-zA-Z%])`)

// text is what an expression says, "" where only a run knows.
func (r *teller) text(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		if s, err := strconv.Unquote(e.Value); err == nil && e.Kind == token.STRING {
			return s
		}
	case *ast.ParenExpr:
		return r.text(e.X)
	case *ast.BinaryExpr:
		a, b := r.text(e.X), r.text(e.Y)
		if a != "" && b != "" {
			return a + b
		}
		if a != "" || b != "" {
			r.lacks[r.source(e)] = r.fset.Position(e.Pos()).String()
		}
	case *ast.CallExpr:
		if r.source(e.Fun) == "fmt.Sprintf" {
			return r.filled(e.Args)
		}
		if r.source(e.Fun) == "sentence" && r.text(e.Args[0]) != "" {
			s := r.text(e.Args[0])
			return strings.ToUpper(s[:1]) + s[1:] + "."
		}
	}
	return samples[r.source(e)]
}

// filled is a format with plausible values.
func (r *teller) filled(args []ast.Expr) string {
	format, rest := r.text(args[0]), args[1:]
	return verb.ReplaceAllStringFunc(format, func(v string) string {
		kind := v[len(v)-1]
		if kind == '%' {
			return "%"
		}
		if strings.Contains(v, "*") {
			rest = rest[1:]
		}
		if len(rest) == 0 {
			return "7"
		}
		arg := rest[0]
		rest = rest[1:]
		switch kind {
		case 'd':
			return "3"
		case 'g', 'f', 'e', 'X':
			return "1.5"
		case 'q':
			return `"left"`
		}
		s := r.text(arg)
		if s == "" {
			r.lacks[r.source(arg)] = r.fset.Position(arg.Pos()).String()
		}
		return s
	})
}

func (r *teller) hear(e ast.Expr, rest ...ast.Expr) {
	s := r.text(e)
	if len(rest) > 0 {
		s = r.filled(append([]ast.Expr{e}, rest...))
	}
	if s != "" {
		r.heard[s] = r.fset.Position(e.Pos()).String()
	}
}

func (r *teller) call(c *ast.CallExpr) {
	name := r.source(c.Fun)
	name = name[strings.LastIndex(name, ".")+1:]
	if file := r.fset.Position(c.Pos()).Filename; name == "Errorf" && slices.Contains(refusals, file[strings.LastIndex(file, "/")+1:]) {
		r.hear(c.Args[0], c.Args[1:]...)
	}
	if name == "say" && strings.HasPrefix(r.fset.Position(c.Pos()).Filename, "./") {
		return // the pages' own: a key of the catalogue, which says so itself
	}
	for i, at := range speakers[name] {
		if at >= len(c.Args) {
			continue
		}
		last := i == len(speakers[name])-1
		if last && slices.Contains([]string{"say", "misread", "Add"}, name) {
			r.hear(c.Args[at], c.Args[at+1:]...) // a format and its values
			continue
		}
		r.hear(c.Args[at])
	}
}

func (r *teller) literal(c *ast.CompositeLit) {
	name := ""
	if c.Type != nil {
		name = r.source(c.Type)
	} else if !r.flagsOrTable(c) {
		return
	}
	for _, at := range tellings[name] {
		for i, e := range c.Elts {
			kv, keyed := e.(*ast.KeyValueExpr)
			if keyed && r.source(kv.Key) == at {
				r.hear(kv.Value)
			} else if !keyed && i == at {
				r.hear(e)
			}
		}
	}
}

// flagsOrTable: rows without a type of their own, of FlagNotes and of Faults.
func (r *teller) flagsOrTable(c *ast.CompositeLit) bool {
	return len(c.Elts) == 3 && strings.Contains(r.source(c), ` `) && (strings.HasPrefix(r.source(c), "{Flag") || strings.HasPrefix(r.source(c), `{"/`))
}

func (r *teller) read(dir string) {
	files, err := fs.Glob(os.DirFS(dir), "*.go")
	if err != nil || len(files) == 0 {
		r.t.Fatalf("%s: no source, %v", dir, err)
	}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		name := dir + "/" + file
		if r.files[name], err = os.ReadFile(name); err != nil {
			r.t.Fatal(err)
		}
		f, err := parser.ParseFile(r.fset, name, r.files[name], 0)
		if err != nil {
			r.t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				r.call(n)
			case *ast.CompositeLit:
				r.literal(n)
			case *ast.AssignStmt:
				r.assigned(n)
			}
			return true
		})
	}
}

// assigned: e.What, e.Fix = …, and what view_*.go keep for their pages.
func (r *teller) assigned(a *ast.AssignStmt) {
	for i, to := range a.Lhs {
		if s, ok := to.(*ast.SelectorExpr); ok && i < len(a.Rhs) && slices.Contains([]string{"What", "Fix", "Do", "How", "Why", "ZeroWord", "Words"}, s.Sel.Name) {
			r.hear(a.Rhs[i])
		}
	}
}

// TestWhatTheRoomsSayHasItsGerman reads every sentence that reaches a page out
// of the source, fills it, and looks for its German.
func TestWhatTheRoomsSayHasItsGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	r := teller{t, token.NewFileSet(), map[string][]byte{}, map[string]string{}, map[string]string{}}
	for _, dir := range []string{"../fit", "../fit/engine", "../acquire", "."} {
		r.read(dir)
	}
	if len(r.heard) < 250 {
		t.Fatalf("heard %d sentences: the search is broken", len(r.heard))
	}
	for e, at := range r.lacks {
		t.Errorf("%s: no sample of %s", at, e)
	}
	for s, at := range r.heard {
		lacking(t, c, at, s)
	}
	t.Logf("%d sentences", len(r.heard))
}

// lacking fails for what of a text has no German.
func lacking(t *testing.T, c *catalogue, at, text string) {
	t.Helper()
	clear(c.missing)
	got := c.say("de", text)
	for m := range c.missing {
		t.Errorf("%s: %q: %q is missing (%q)", at, text, m, got)
	}
	if strings.Contains(got, "%!") || strings.Contains(got, "%[") {
		t.Errorf("%s: %q: %q", at, text, got)
	}
}
