package dashboards

import (
	"regexp"
	"strings"
	"unicode"
)

// pattern finds a sentence by the key that it was made from.
type pattern struct {
	key   string
	text  string   // the other language's
	fixed []string // what stands round the holes
	named []bool   // by hole: it holds a name, which is left as it is
	like  *regexp.Regexp
}

// What a %s can stand for.
const (
	anything = `(.+?)`
	clause   = `((?:[^.!?:;]|[.!?:;](?:\S|$))+?)`
	words    = `((?:[^.!?]|[.!?](?:\S|$))+?)` // never more than a sentence
	figures  = `([^\pL]+?)`                   // numbers, and what joins them
)

// leastLetters: a key with less text of its own ("%s and %s") would tear
// sentences apart, so that its holes take figures only.
const leastLetters = 8

// beforeName is what a name follows: quotation marks, or the word for the thing.
var beforeName = regexp.MustCompile("(?:[“\"]|[Ii]ndicator |[Pp]ort |\\bstore |\\buser |\\bgroup |\\bone was |\\btake |in use by |bench has |(?:write one of|keys|here are|allowed|indicators): |here are |\\bone of |did you mean )$")

func newPattern(key, text string) pattern {
	p := pattern{key: key, text: text, fixed: strings.Split(key, "%s")}
	hole := words
	if letters(strings.Join(p.fixed, "")) < leastLetters {
		hole = figures
	}
	like := strings.Builder{}
	like.WriteString(`(?s)^` + regexp.QuoteMeta(p.fixed[0]))
	before := p.fixed[0]
	for i, after := range p.fixed[1:] {
		name := beforeName.MatchString(before) || strings.Count(before, "`")%2 == 1
		p.named = append(p.named, name)
		switch {
		case name && after == "" && i == len(p.fixed)-2: // else "Indicator %s" would take all that follows for the name
			like.WriteString(clause)
		case name:
			like.WriteString(anything)
		default:
			like.WriteString(hole)
		}
		like.WriteString(regexp.QuoteMeta(after))
		before += "%s" + after
	}
	p.like = regexp.MustCompile(like.String() + `$`)
	return p
}

func letters(s string) (n int) {
	for _, r := range s {
		if unicode.IsLetter(r) {
			n++
		}
	}
	return n
}

// own is how much text a pattern has outside its holes: the more, the surer.
func (p pattern) own() int { return len(p.key) - 2*len(p.named) }

// parts is what stands in the holes, nil where the text is another.
func (p pattern) parts(text string) []string {
	rest, last := text, len(p.fixed)-1
	if !strings.HasSuffix(text, p.fixed[last]) || !strings.HasPrefix(text, p.fixed[0]) {
		return nil
	}
	for _, f := range p.fixed { // far cheaper than the expression, and true of few
		_, after, ok := strings.Cut(rest, f)
		if !ok {
			return nil
		}
		rest = after
	}
	if m := p.like.FindStringSubmatch(text); m != nil {
		return m[1:]
	}
	return nil
}
