package dashboards

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// axeRules are the accessibility rules that .ci/need fetches and .ci/axe names.
func axeRules(t *testing.T) string {
	t.Helper()
	named, err := os.ReadFile("../.ci/axe")
	if err != nil {
		t.Fatal(err)
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	pin := strings.Fields(string(named)) // sum, package, version
	file, err := os.ReadFile(filepath.Join(cache, "crownmark", pin[1]+"-"+pin[2]+".tgz"))
	if err != nil {
		t.Fatalf("%v: run make need", err)
	}
	if sum := sha256.Sum256(file); hex.EncodeToString(sum[:]) != pin[0] {
		t.Fatalf("%s %s in the cache is not what .ci/axe names: delete it and run make need", pin[1], pin[2])
	}
	unzipped, err := gzip.NewReader(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	for r := tar.NewReader(unzipped); ; {
		h, err := r.Next()
		if err != nil {
			t.Fatalf("no axe.min.js in it: %v", err)
		}
		if h.Name == "package/axe.min.js" {
			script, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			return string(script)
		}
	}
}

// runRules tells each rule that is broken, with the first places. Another look
// changes colours alone, so only rules about colours are run for it again.
const runRules = `axe.run(document, {preload: false, elementRef: false, performanceTimer: false, resultTypes: ["violations"], %s})
  .then(r => r.violations.map(v => v.id + " (" + v.help + "): " + v.nodes.slice(0, 4).map(n => n.target.join(" ") + " " +
    n.any.concat(n.all, n.none).map(c => c.message).slice(0, 1)).join("; ")))`

// oneImage takes the thousands of strokes out of the drawings, which are one
// image each to whoever cannot see them and would cost the rules minutes.
const oneImage = `for (const e of document.querySelectorAll("svg :is(circle, polyline, line, path, rect)")) e.remove()`

// fewRows leaves a few rows of each table, once all were looked at.
const fewRows = `for (const e of document.querySelectorAll("tbody tr:nth-child(n+5)")) e.remove()`

const (
	allRules    = `runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]`
	colourRules = `runOnly: {type: "rule", values: ["color-contrast", "link-in-text-block"]}`
	otherRules  = allRules + `, rules: {"color-contrast": {enabled: false}}`
)

// faintDigits finds readouts in the largest letters with less contrast than 7:1.
const faintDigits = `(() => {
  const pen = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
  const rgba = c => { pen.clearRect(0, 0, 1, 1); pen.fillStyle = c; pen.fillRect(0, 0, 1, 1); return pen.getImageData(0, 0, 1, 1).data; };
  const light = c => { const [r, g, b] = [...c].map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4); return .2126 * r + .7152 * g + .0722 * b; };
  const ground = e => { for (; e; e = e.parentElement) { const c = rgba(getComputedStyle(e).backgroundColor); if (c[3] === 255) return c; } return rgba("Canvas"); };
  const out = [];
  for (const e of document.querySelectorAll("main *")) {
    const s = getComputedStyle(e), own = [...e.childNodes].some(n => n.nodeType === 3 && /[0-9]/.test(n.data));
    const size = e.ownerSVGElement ? parseFloat(s.fontSize) * e.getScreenCTM().a : parseFloat(s.fontSize);
    if (!own || size < 30 || !e.checkVisibility()) continue;
    const [a, b] = [light(rgba(e.ownerSVGElement ? s.fill : s.color)), light(ground(e))].sort((x, y) => y - x);
    if ((a + .05) / (b + .05) < 7) out.push(e.tagName + "." + (e.className.baseVal ?? e.className) + " " + ((a + .05) / (b + .05)).toFixed(2));
  }
  return out;
})()`

// restless finds what moves although the person asked for less of it.
const restless = `[...document.querySelectorAll("*")].flatMap(e => ["", "::before", "::after"].map(p => [e, p, getComputedStyle(e, p || null)]))
  .filter(([, , s]) => s.animationName !== "none" || s.transitionDuration.split(",").some(d => parseFloat(d) > 0))
  .map(([e, p]) => e.tagName + "." + e.className + p).slice(0, 5)`
