package calibrate

import (
	"math/rand/v2"
	"testing"
)

// A small version of what make accuracy counts, the same each time: the doubts
// cover, and at the limit neither pass nor fail is said without proof.
func TestFewVirtualIndicators(t *testing.T) {
	t.Parallel()
	cover, verdict := counts{}, counts{}
	everyVirtual(t, 80, 1, atTheLimit, func(v *virtual, rng *rand.Rand, r *Result) {
		covered(cover, v, rng, r)
		verdicts(verdict, v, r)
	})
	for _, name := range []string{Total, Local, Hysteresis, Repeatability, Linearity, "correction at a knot", "correction between knots"} {
		c := cover[name]
		if c == nil || c.share() < 93-margin(93, c.of) || c.of < 70 {
			t.Errorf("%s: covered %v", name, c)
		}
	}
	for _, name := range CharacteristicNames() {
		for _, said := range []string{" pass", " fail"} {
			if c := verdict[name+said]; c == nil || c.share() > 2.5+margin(2.5, c.of) {
				t.Errorf("%s at the limit: %v", name+said, c)
			}
		}
	}
}
