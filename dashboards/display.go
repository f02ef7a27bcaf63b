package dashboards

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"golang.org/x/text/language"
)

// display is how one browser wants to see the pages. It is kept in a cookie;
// nothing that is stored or computed depends on it. Numbers have a decimal point
// in every language, as the instruments' displays and the CSV files have it: what
// is read on a page can be compared with both digit by digit. Dates are year first.
type display struct {
	Language string // of languages
	Length   string // mm or in
	Look     string // of looks
}

// The choices, the first of each is used where nothing was chosen.
var (
	languages = []string{"en", "de"}
	lengths   = []string{"mm", "in"}
	looks     = []string{"system", "light", "dark", "contrast"}
)

const displayCookie = "display"

var spoken = language.NewMatcher([]language.Tag{language.English, language.German})

// displayOf reads the cookie; without one the browser's language decides.
func displayOf(r *http.Request) display {
	d := display{languages[0], lengths[0], looks[0]}
	if wanted, _, err := language.ParseAcceptLanguage(r.Header.Get("Accept-Language")); err == nil && len(wanted) > 0 {
		if _, i, sure := spoken.Match(wanted...); sure >= language.High {
			d.Language = languages[i]
		}
	}
	c, err := r.Cookie(displayCookie)
	if err != nil {
		return d
	}
	for _, word := range strings.Split(c.Value, ".") {
		d.set(word)
	}
	return d
}

// set takes one word of the cookie; an unknown one changes nothing.
func (d *display) set(word string) bool {
	switch {
	case slices.Contains(languages, word):
		d.Language = word
	case slices.Contains(lengths, word):
		d.Length = word
	case slices.Contains(looks, word):
		d.Look = word
	default:
		return false
	}
	return true
}

func (d display) cookie() *http.Cookie {
	return &http.Cookie{Name: displayCookie, Value: strings.Join([]string{d.Language, d.Length, d.Look}, "."), Path: "/",
		MaxAge: int((365 * 24 * time.Hour).Seconds()), HttpOnly: true, SameSite: http.SameSiteStrictMode}
}

// postDisplay keeps one choice of the strip's form and goes back to the page
// it was made on.
func (s *Server) postDisplay(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 4<<10)
	if err := r.ParseForm(); err != nil {
		return newProblem(http.StatusBadRequest, "form", "The form cannot be read", err.Error(), "use the form on the page")
	}
	d := displayOf(r)
	for _, name := range []string{"language", "length", "look"} {
		if word := r.PostForm.Get(name); word != "" && !d.set(word) {
			return invalid(Fault{"/" + name, fmt.Sprintf("%q is not a choice", word), "choose from the page's form"})
		}
	}
	http.SetCookie(w, d.cookie())
	w.Header().Set("Location", ownPath(r.PostForm.Get("back")))
	w.WriteHeader(http.StatusSeeOther)
	return nil
}

// ownPath keeps a way back on this site.
func ownPath(back string) string {
	u, err := url.Parse(back)
	if err != nil || !strings.HasPrefix(back, "/") || u.Host != "" || u.Scheme != "" || strings.HasPrefix(back, "//") || strings.Contains(back, `\`) {
		return "/"
	}
	return u.RequestURI()
}

const mmPerInch = 25.4

// length is a length in the chosen unit, with as many decimals as say the
// same: an inch has one more, and a thousandth of a millimetre two.
func (d display) length(mm *float64, decimals int) string {
	if mm == nil {
		return "—"
	}
	if d.Length == "in" {
		return signed(*mm/mmPerInch, decimals+1+decimals/3)
	}
	return signed(*mm, decimals)
}
