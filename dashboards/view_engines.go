package dashboards

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"crownmark/fit/engine"
	"crownmark/store"
)

// engineCard is an engine of the library as the lists show it.
type engineCard struct {
	engineDoc
	Star template.HTML
}

func (s *Server) cards(ctx context.Context, state string) (cards []engineCard, err error) {
	all, err := store.All(func(p store.Page) ([]store.LibraryEngine, *int64, error) { return s.store.LibraryEngines(ctx, p) })
	for _, e := range slices.Backward(all) {
		if e.State == state {
			cards = append(cards, engineCard{engineDocOf(e), starSVG(e.Engine)})
		}
	}
	return cards, err
}

func (s *Server) enginesPage(w http.ResponseWriter, r *http.Request) error {
	kept, err := s.cards(r.Context(), store.LibraryKept)
	if err != nil {
		return err
	}
	retired, err := s.cards(r.Context(), store.LibraryRetired)
	if err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "engines", frame{Title: "Engines", Here: "engines", Page: struct{ Kept, Retired []engineCard }{kept, retired}})
}

// engineView is the form of one engine; ID 0: not in the library yet.
type engineView struct {
	ID       int64
	State    string
	Revision int64
	Engine   engine.Engine
	Rows     []engine.Cylinder // as they are, or as they would follow from the firing order
	Star     template.HTML
}

func (s *Server) newEnginePage(w http.ResponseWriter, r *http.Request) error {
	e, err := engine.ParseJSON([]byte(`{"name":"-","stroke_mm":86,"firing_order":[1,3,4,2]}`))
	if err != nil {
		return err
	}
	v := engineView{Engine: e, Rows: rowsOf(e), Star: starSVG(e)}
	v.Engine.Name, v.Engine.StrokeMM = "", 0
	return s.render(w, r, http.StatusOK, "engine", frame{Title: "New engine", Here: "engines", Page: v})
}

func (s *Server) enginePage(w http.ResponseWriter, r *http.Request) error {
	e, err := s.libraryEngine(r)
	if err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "engine", frame{Of: e.Engine.Name, Here: "engines",
		Page: engineView{e.ID, e.State, e.Revision, e.Engine, rowsOf(e.Engine), starSVG(e.Engine)}})
}

func rowsOf(e engine.Engine) []engine.Cylinder {
	if len(e.Cylinder) > 0 {
		return e.Cylinder
	}
	var rows []engine.Cylinder
	for _, t := range e.Tops() {
		rows = append(rows, engine.Cylinder{Number: t.Number, TDCDeg: math.Round(t.NominalDeg*1000) / 1000})
	}
	return rows
}

func orderText(order []int) string {
	var b strings.Builder
	for i, n := range order {
		if i > 0 {
			b.WriteString("-")
		}
		b.WriteString(strconv.Itoa(n))
	}
	return b.String()
}

// engineLine is an engine in one line, in the browser's language and unit.
func (p *pages) engineLine(d display, e engine.Engine) string {
	say := func(text string, args ...any) string { return p.texts.say(d.Language, text, args...) }
	parts := []string{say("stroke") + " " + d.lengthText(e.StrokeMM)}
	if e.RodMM != nil {
		parts = append(parts, say("rod")+" "+d.lengthText(*e.RodMM))
	} else {
		parts = append(parts, say("rod assumed"))
	}
	if e.PinOffsetMM != nil {
		parts = append(parts, say("pin offset")+" "+d.lengthText(*e.PinOffsetMM))
	}
	if len(e.FiringOrder) > 0 {
		parts = append(parts, say("fires")+" "+orderText(e.FiringOrder))
	} else {
		parts = append(parts, strconv.Itoa(len(e.Cylinder))+" "+say("cylinders"))
	}
	return strings.Join(append(parts, say(runsWords(e))), " · ")
}

func runsWords(e engine.Engine) string {
	if e.RunningDirection == "anticlockwise" {
		return "runs anticlockwise"
	}
	return "runs clockwise"
}

// lengthText is a length with its unit and no more decimals than it has; an
// inch has four.
func (d display) lengthText(mm float64) string {
	return d.lengthField(&mm, true) + " " + d.Length
}

// lengthField is a length as a field holds it; told: with a real minus sign.
func (d display) lengthField(mm *float64, told bool) string {
	if mm == nil {
		return ""
	}
	v := *mm
	if d.Length == "in" {
		v = math.Round(v/mmPerInch*1e4) / 1e4
	}
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if told {
		s = strings.Replace(s, "-", "−", 1)
	}
	return s
}

func (d display) lengthPlus(mm *float64, decimals int) string {
	s := d.length(mm, decimals)
	if mm != nil && *mm > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// orderStep is one cylinder in the order of sweeping, and the order with it
// moved one place ahead.
type orderStep struct {
	Cylinder int
	Earlier  string // the request's body; "": it is the first
}

func orderSteps(order []int) ([]orderStep, error) {
	steps := make([]orderStep, len(order))
	for i, n := range order {
		steps[i].Cylinder = n
		if i == 0 {
			continue
		}
		moved := slices.Clone(order)
		moved[i-1], moved[i] = moved[i], moved[i-1]
		body, err := toJSON(map[string][]int{"order": moved})
		if err != nil {
			return nil, fmt.Errorf("order: %w", err)
		}
		steps[i].Earlier = body
	}
	return steps, nil
}
