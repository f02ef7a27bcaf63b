package dashboards

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"sync"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/message/catalog"
)

//go:embed texts/*.json
var textFiles embed.FS

// catalogue holds every text of the pages in every language. English is the
// key: texts/LANGUAGE.AREA.json has, for the English text with %s for what varies,
// the other language's.
//
// fit, acquire and store speak whole English sentences, numbers and all. Such
// a sentence is found by its pattern: what stands where the key has %s is put
// into the other language's sentence, itself translated where it is a text.
type catalogue struct {
	printers map[string]*message.Printer
	exact    map[string]map[string]bool
	patterns map[string][]pattern

	mu      sync.Mutex
	found   map[string]string // language + text → translation
	missing map[string]bool
}

type pattern struct {
	key  string
	like *regexp.Regexp
	dull int // letters outside the holes: the more, the surer
}

const (
	keptTexts = 4096
	hole      = `((?:[^.!?]|[.!?]\S)+?)` // what a %s can stand for: never more than a sentence
)

func newCatalogue() (*catalogue, error) {
	c := &catalogue{printers: map[string]*message.Printer{}, exact: map[string]map[string]bool{}, patterns: map[string][]pattern{},
		found: map[string]string{}, missing: map[string]bool{}}
	files, err := fs.Glob(textFiles, "texts/*.json")
	if err != nil {
		return nil, err
	}
	all := map[string]map[string]string{}
	for _, file := range files {
		b, err := textFiles.ReadFile(file)
		if err != nil {
			return nil, err
		}
		lang, _, _ := strings.Cut(strings.TrimPrefix(file, "texts/"), ".")
		var texts map[string]string
		if err := json.Unmarshal(b, &texts); err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		if all[lang] == nil {
			all[lang] = map[string]string{}
		}
		for key, text := range texts {
			if other, ok := all[lang][key]; ok && other != text {
				return nil, fmt.Errorf("%s: %q stands in another file with another text", file, key)
			}
			all[lang][key] = text
		}
	}
	for lang, texts := range all {
		if err := c.add(lang, texts); err != nil {
			return nil, fmt.Errorf("texts of %q: %w", lang, err)
		}
	}
	return c, nil
}

func (c *catalogue) add(lang string, texts map[string]string) error {
	tag, err := language.Parse(lang)
	if err != nil {
		return err
	}
	b := catalog.NewBuilder(catalog.Fallback(tag))
	c.exact[lang] = map[string]bool{}
	for key, text := range texts {
		if err := b.SetString(tag, key, text); err != nil {
			return fmt.Errorf("%q: %w", key, err)
		}
		c.exact[lang][key] = true
		if strings.Contains(key, "%s") {
			p := regexp.QuoteMeta(key)
			c.patterns[lang] = append(c.patterns[lang], pattern{key, regexp.MustCompile(`(?s)^` + strings.ReplaceAll(p, "%s", hole) + `$`), len(key) - 2*strings.Count(key, "%s")})
		}
	}
	slices.SortFunc(c.patterns[lang], func(a, b pattern) int {
		if a.dull != b.dull {
			return b.dull - a.dull
		}
		return strings.Compare(a.key, b.key)
	})
	c.printers[lang] = message.NewPrinter(tag, message.Catalog(b))
	return nil
}

// say is text in the language; args fill its %s. English, and what the
// catalogue does not know, stays as it is.
func (c *catalogue) say(lang, text string, args ...any) string {
	if c.printers[lang] == nil || !worded(text) {
		return filled(text, args)
	}
	if len(args) > 0 {
		for i, a := range args {
			if s, ok := a.(string); ok {
				args[i] = c.say(lang, s)
			}
		}
		if !c.exact[lang][text] {
			c.miss(text)
			return filled(text, args)
		}
		return c.printers[lang].Sprintf(text, args...)
	}
	c.mu.Lock()
	done, ok := c.found[lang+text]
	c.mu.Unlock()
	if ok {
		return done
	}
	done = c.look(lang, text)
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.found) < keptTexts {
		c.found[lang+text] = done
	}
	return done
}

func (c *catalogue) look(lang, text string) string {
	if c.exact[lang][text] { // what is still to be filled stays so: scripts fill texts themselves
		holes := make([]any, strings.Count(text, "%s"))
		for i := range holes {
			holes[i] = "%s"
		}
		return c.printers[lang].Sprintf(text, holes...)
	}
	for _, p := range c.patterns[lang] {
		m := p.like.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		args := make([]any, len(m)-1)
		for i, part := range m[1:] {
			args[i] = c.say(lang, part)
		}
		return c.printers[lang].Sprintf(p.key, args...)
	}
	for _, end := range []*regexp.Regexp{sentenceEnd, clauseEnd} {
		parts := split(text, end)
		if len(parts) == 1 {
			continue
		}
		for i := range parts {
			parts[i] = c.say(lang, parts[i])
		}
		return strings.Join(parts, " ")
	}
	c.miss(text)
	return text
}

func (c *catalogue) miss(text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.missing) < keptTexts {
		c.missing[text] = true
	}
}

// worded tells words from numbers, units and names of one letter.
func worded(text string) bool { return twoLetters.MatchString(text) }

var (
	twoLetters  = regexp.MustCompile(`\pL{2}`)
	sentenceEnd = regexp.MustCompile(`[.!?] `)
	clauseEnd   = regexp.MustCompile(`[:;] `)
)

func split(text string, end *regexp.Regexp) (parts []string) {
	at := 0
	for _, m := range end.FindAllStringIndex(text, -1) {
		parts = append(parts, text[at:m[0]+1])
		at = m[1]
	}
	return append(parts, text[at:])
}

func filled(text string, args []any) string {
	if len(args) == 0 {
		return text
	}
	return fmt.Sprintf(text, args...)
}
