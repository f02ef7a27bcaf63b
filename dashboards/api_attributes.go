package dashboards

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"crownmark/store"
)

// Bounds of what a job keeps beside its engine.
const (
	maxReferenceRunes = 200
	maxNotesRunes     = 4000
	maxTags           = 20
	maxTagRunes       = 40
)

// attributesBody is what a request can say of a job beside its engine; what is
// left out stays as it is.
type attributesBody struct {
	Stage             *string   `json:"stage"`
	CustomerReference *string   `json:"customer_reference"`
	Notes             *string   `json:"notes"`
	Tags              *[]string `json:"tags"`
	Order             *[]int    `json:"order"`
}

func (b attributesBody) check() (faults []Fault) {
	if b.Stage != nil && *b.Stage != "" && !slices.Contains(store.Stages(), *b.Stage) {
		faults = append(faults, Fault{"/stage", fmt.Sprintf("%q is no stage", *b.Stage), "one of " + strings.Join(store.Stages(), ", ") + `, or "" for none`})
	}
	if r := b.CustomerReference; r != nil && (utf8.RuneCountInString(*r) > maxReferenceRunes || strings.TrimSpace(*r) != *r || strings.ContainsFunc(*r, unicode.IsControl)) {
		faults = append(faults, Fault{"/customer_reference", fmt.Sprintf("longer than %d characters, of several lines, or with blanks at its ends", maxReferenceRunes), "send a short text, or \"\" for none"})
	}
	if b.Notes != nil && utf8.RuneCountInString(*b.Notes) > maxNotesRunes {
		faults = append(faults, Fault{"/notes", fmt.Sprintf("longer than %d characters", maxNotesRunes), "keep to what belongs to the job"})
	}
	if b.Notes != nil && strings.ContainsFunc(*b.Notes, unreadable) {
		faults = append(faults, Fault{"/notes", "with control characters", "send text; line ends and tabs are welcome"})
	}
	if b.Tags != nil {
		faults = append(faults, checkTags(*b.Tags)...)
	}
	return faults
}

func unreadable(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' }

func checkTags(tags []string) (faults []Fault) {
	if len(tags) > maxTags {
		faults = append(faults, Fault{"/tags", fmt.Sprintf("more than %d tags", maxTags), "keep the ones you look for"})
	}
	for i, tag := range tags {
		at := fmt.Sprintf("/tags/%d", i)
		switch {
		case tag == "" || utf8.RuneCountInString(tag) > maxTagRunes || strings.TrimSpace(tag) != tag || strings.ContainsAny(tag, ",;") || strings.ContainsFunc(tag, unicode.IsControl):
			faults = append(faults, Fault{at, fmt.Sprintf("empty, longer than %d characters, with blanks at its ends, or with a comma", maxTagRunes), "send a word or two"})
		case slices.Contains(tags[:i], tag):
			faults = append(faults, Fault{at, fmt.Sprintf("%q stands there twice", tag), "keep one of them"})
		}
	}
	return faults
}

func noOrder() Fault {
	return Fault{"/order", "it does not name every cylinder of the engine once", "send every cylinder once, or [] for the usual order"}
}

// newJobBody asks for a job by exactly one of engine, engine_id and follows.
type newJobBody struct {
	Name     string          `json:"name"`
	Engine   json.RawMessage `json:"engine"`
	EngineID *int64          `json:"engine_id"`
	Follows  *int64          `json:"follows"`
	attributesBody
}

// newJobOf makes the store's request of it: an engine that is sent, the
// library's, or that of the job before, whose reference and tags go along.
func (s *Server) newJobOf(ctx context.Context, in newJobBody) (store.NewJob, []Fault) {
	n := store.NewJob{Name: in.Name, Attributes: store.JobAttributes(in.attributesBody)}
	faults := append(in.attributesBody.check(), checkName(in.Name, true)...)
	given := 0
	if len(in.Engine) > 0 {
		given++
		e, wrong := engineOf(in.Engine)
		n.Engine, faults = e, append(faults, wrong...)
	}
	if in.EngineID != nil {
		given++
		kept, err := s.store.LibraryEngine(ctx, *in.EngineID)
		if err != nil {
			faults = append(faults, Fault{"/engine_id", problemOf(err).Detail, "see /api/v1/engines for the library"})
		}
		n.Engine, n.LibraryEngine = kept.Engine, *in.EngineID
	}
	if in.Follows != nil {
		given++
		before, err := s.store.Job(ctx, *in.Follows)
		if err != nil {
			faults = append(faults, Fault{"/follows", problemOf(err).Detail, "see /api/v1/jobs for the jobs"})
		}
		follow(&n, before)
	}
	switch {
	case given == 0:
		faults = append(faults, Fault{"/engine", "missing", "send the engine as in the engine file, in JSON, or the engine_id of one in the library, or the job that this one follows"})
	case given > 1:
		faults = append(faults, Fault{"/engine", "more than one of engine, engine_id and follows say which engine", "keep one of them"})
	}
	if o := n.Attributes.Order; len(faults) == 0 && o != nil && len(*o) > 0 && !n.Engine.IsOrder(*o) {
		faults = append(faults, noOrder())
	}
	return n, faults
}

// follow takes over what stays the same from the job before.
func follow(n *store.NewJob, before store.Job) {
	n.Engine, n.LibraryEngine, n.Follows = before.Engine, before.LibraryEngine, before.ID
	if n.Name == "" {
		n.Name = before.Name
	}
	if n.Attributes.CustomerReference == nil {
		n.Attributes.CustomerReference = &before.CustomerReference
	}
	if n.Attributes.Tags == nil {
		n.Attributes.Tags = &before.Tags
	}
	if n.Attributes.Order == nil && before.OrderGiven {
		n.Attributes.Order = &before.Order
	}
}
