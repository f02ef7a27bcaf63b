package dashboards

import (
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var (
	keyInPage   = regexp.MustCompile(`\bt ("(?:[^"\\]|\\.)*")`)
	keysInPage  = regexp.MustCompile(`\btexts((?: "(?:[^"\\]|\\.)*")+)`)
	quoted      = regexp.MustCompile(`"(?:[^"\\]|\\.)*"`)
	keyInScript = regexp.MustCompile(`\bt\(("(?:[^"\\]|\\.)*")`)
)

// keysOf are the English texts that pages and scripts name themselves.
func keysOf(t *testing.T) (keys, handed, called map[string]string) {
	t.Helper()
	keys, handed, called = map[string]string{}, map[string]string{}, map[string]string{}
	unquote := func(s string) string {
		u, err := strconv.Unquote(s)
		if err != nil {
			t.Fatalf("%s: %v", s, err)
		}
		return u
	}
	pages, err := fs.Glob(os.DirFS("."), "pages/*.html")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range pages {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range keyInPage.FindAllStringSubmatch(string(b), -1) {
			keys[unquote(m[1])] = file
		}
		for _, m := range keysInPage.FindAllStringSubmatch(string(b), -1) {
			for _, q := range quoted.FindAllString(m[1], -1) {
				keys[unquote(q)], handed[unquote(q)] = file, file
			}
		}
	}
	scripts, err := fs.Glob(os.DirFS("."), "static/*.js")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range scripts {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range keyInScript.FindAllStringSubmatch(string(b), -1) {
			called[unquote(m[1])] = file
		}
	}
	return keys, handed, called
}

// TestEveryTextHasItsGerman: what a page or a script says stands in the
// catalogue, with as many places to fill, and a page hands its scripts what
// they say.
func TestEveryTextHasItsGerman(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	keys, handed, called := keysOf(t)
	if len(keys) < 50 || len(called) < 20 {
		t.Fatalf("found %d texts in pages and %d in scripts: the search is broken", len(keys), len(called))
	}
	var lack []string
	for key, file := range keys {
		if worded(strings.ReplaceAll(key, "%s", "")) && !knows(c, key) {
			lack = append(lack, file+": "+strconv.Quote(key))
		}
	}
	slices.Sort(lack)
	if len(lack) > 0 {
		t.Errorf("%d texts without their German:\n%s", len(lack), strings.Join(lack, "\n"))
	}
	for key, file := range called {
		if handed[key] == "" {
			t.Errorf("%s says %q, which no page hands over", file, key)
		}
	}
}

// TestGermanFillsWhatEnglishFills: no place is lost or invented.
func TestGermanFillsWhatEnglishFills(t *testing.T) {
	c, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	hole := regexp.MustCompile(`%(\[\d\])?s`)
	for key := range c.keys["de"] {
		n := strings.Count(key, "%s")
		args := make([]any, n)
		for i := range args {
			args[i] = "<" + strconv.Itoa(i) + ">"
		}
		said := c.printers["de"].Sprintf(key, args...)
		for _, a := range args {
			if !strings.Contains(said, a.(string)) {
				t.Errorf("%q: %q loses %s", key, said, a)
			}
		}
		if strings.Contains(said, "%!") || hole.MatchString(said) {
			t.Errorf("%q: %q", key, said)
		}
	}
}

func knows(c *catalogue, key string) bool {
	_, ok := c.keys["de"][key]
	return ok
}
