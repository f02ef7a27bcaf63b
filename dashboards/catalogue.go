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
// Names are never translated: see beforeName for what tells them.
type catalogue struct {
	printers map[string]*message.Printer
	keys     map[string]map[string]pattern
	patterns map[string][]pattern // those with holes, the surest first

	mu      sync.Mutex
	found   map[saying]string
	made    map[saying]bool // what came out, which may come in again as an argument
	missing map[string]bool
}

type saying struct{ lang, text string }

const keptTexts = 4096

func newCatalogue() (*catalogue, error) {
	c := &catalogue{printers: map[string]*message.Printer{}, keys: map[string]map[string]pattern{}, patterns: map[string][]pattern{},
		found: map[saying]string{}, made: map[saying]bool{}, missing: map[string]bool{}}
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
	c.keys[lang], c.patterns[lang] = map[string]pattern{}, nil
	for key, text := range texts {
		if err := b.SetString(tag, key, text); err != nil {
			return fmt.Errorf("%q: %w", key, err)
		}
		p := newPattern(key, text)
		c.keys[lang][key] = p
		if len(p.named) > 0 {
			c.patterns[lang] = append(c.patterns[lang], p)
		}
	}
	slices.SortFunc(c.patterns[lang], func(a, b pattern) int {
		if a.own() != b.own() {
			return b.own() - a.own()
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
		p, ok := c.keys[lang][text]
		if !ok {
			c.miss(text)
			return filled(text, args)
		}
		return c.keep(saying{lang, text}, c.fill(lang, p, args), false)
	}
	c.mu.Lock()
	done, ok := c.found[saying{lang, text}]
	c.mu.Unlock()
	if ok {
		return done
	}
	return c.keep(saying{lang, text}, c.look(lang, text), true)
}

// keep remembers what a text became, so that it is not looked for again, nor
// taken for an English one. When there is too much of it all is forgotten.
func (c *catalogue) keep(from saying, done string, whole bool) string {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.found)+len(c.made) >= keptTexts {
		clear(c.found)
		clear(c.made)
	}
	if whole {
		c.found[from] = done
	}
	if done != from.text {
		c.made[saying{from.lang, done}] = true
	}
	return done
}

// fill puts args, which are texts themselves, into the key's translation.
func (c *catalogue) fill(lang string, p pattern, args []any) string {
	out := slices.Clone(args)
	for i, a := range args {
		if s, ok := a.(string); ok && i < len(p.named) && !p.named[i] {
			out[i] = c.say(lang, s)
		}
	}
	return c.printers[lang].Sprintf(p.key, out...)
}

func (c *catalogue) look(lang, text string) string {
	if p, ok := c.keys[lang][text]; ok {
		return strings.ReplaceAll(p.text, "%%", "%") // what is still to be filled stays: scripts fill texts themselves
	}
	c.mu.Lock()
	made := c.made[saying{lang, text}]
	c.mu.Unlock()
	if made {
		return text
	}
	for _, p := range c.patterns[lang] {
		if parts := p.parts(text); parts != nil {
			args := make([]any, len(parts))
			for i, part := range parts {
				args[i] = part
			}
			return c.fill(lang, p, args)
		}
	}
	for _, end := range ends {
		parts, marks := split(text, end)
		if len(parts) == 1 {
			continue
		}
		var b strings.Builder
		for i := range parts {
			b.WriteString(c.say(lang, parts[i]) + marks[i])
		}
		return b.String()
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
func worded(text string) bool { return twoLetters.MatchString(amounts.ReplaceAllString(text, "")) }

var (
	twoLetters = regexp.MustCompile(`\pL{2}`)
	// numbers with units, paths, and keys of files
	amounts = regexp.MustCompile(`/[\w/.{}-]+|\d ?(?:mm|µm|ms|in|ppm|Hz)\b|\b[a-z]+(?:_[a-z0-9]+)+\b`)
	// where a text that is known in parts only is taken apart: the group goes between
	ends = []*regexp.Regexp{regexp.MustCompile(`[.!?]( )`), regexp.MustCompile(`( · )`), regexp.MustCompile(`([:;] )`)}
)

// split takes text apart, with the mark that stood after each part.
func split(text string, end *regexp.Regexp) (parts, marks []string) {
	at := 0
	for _, m := range end.FindAllStringSubmatchIndex(text, -1) {
		parts, marks = append(parts, text[at:m[2]]), append(marks, text[m[2]:m[3]])
		at = m[3]
	}
	return append(parts, text[at:]), append(marks, "")
}

func filled(text string, args []any) string {
	if len(args) == 0 {
		return text
	}
	return fmt.Sprintf(text, args...)
}
