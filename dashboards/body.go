package dashboards

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
)

const maxBody = 64 << 10 // bytes; the largest engine is a hundredth of it

// readBody fills the struct that v points to from a JSON object. It is strict:
// another content type, another shape, an unknown or doubled key, or a second
// document is refused, each with a pointer to the place.
func readBody(r *http.Request, v any) error {
	b, err := rawBody(r)
	if err != nil {
		return err
	}
	return decodeStrict(b, v)
}

func rawBody(r *http.Request) ([]byte, error) {
	_, b, err := bodyOf(r, "application/json")
	return b, err
}

// bodyOf reads a body of one of the content types.
func bodyOf(r *http.Request, types ...string) (kind string, b []byte, err error) {
	kind, _, err = mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || !slices.Contains(types, kind) {
		return "", nil, newProblem(http.StatusUnsupportedMediaType, "content-type", "The body must be JSON",
			fmt.Sprintf("Content-Type is %q", r.Header.Get("Content-Type")), "send Content-Type: "+strings.Join(types, " or "))
	}
	b, err = io.ReadAll(http.MaxBytesReader(nil, r.Body, maxBody))
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return "", nil, newProblem(http.StatusRequestEntityTooLarge, "too-large", "The body is too large",
			fmt.Sprintf("more than %d bytes", maxBody), "send less; an engine needs a few hundred bytes")
	}
	if err != nil {
		return "", nil, newProblem(http.StatusBadRequest, "cut-off", "The body did not arrive whole", err.Error(), "send it again")
	}
	return kind, b, nil
}

func decodeStrict(b []byte, v any) error {
	members, err := objectMembers(b)
	if err != nil {
		return newProblem(http.StatusBadRequest, "json", "The body is not a JSON object", err.Error(),
			"send one object in braces", Fault{Pointer: "", Detail: err.Error(), Fix: "send one object in braces"})
	}
	fields, names := jsonFields(reflect.ValueOf(v).Elem())
	var faults []Fault
	seen := map[string]bool{}
	for _, m := range members {
		field, known := fields[m.key]
		switch {
		case !known:
			faults = append(faults, Fault{pointerTo(m.key), "unknown key", "known keys: " + strings.Join(names, ", ")})
		case seen[m.key]:
			faults = append(faults, Fault{pointerTo(m.key), "the key stands there twice", "keep one of them"})
		default:
			if err := json.Unmarshal(m.value, field.Addr().Interface()); err != nil {
				faults = append(faults, Fault{pointerTo(m.key), wrongType(err, field.Interface()), "see /openapi.json for what belongs there"})
			}
		}
		seen[m.key] = true
	}
	if len(faults) > 0 {
		return invalid(faults...)
	}
	return nil
}

type member struct {
	key   string
	value json.RawMessage
}

// objectMembers splits one JSON object into its members, in order, doubles kept.
func objectMembers(b []byte) ([]member, error) {
	d := json.NewDecoder(bytes.NewReader(b))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return nil, orElse(err, "it does not begin with {")
	}
	var out []member
	for d.More() {
		key, err := d.Token()
		if err != nil {
			return nil, orElse(err, "")
		}
		m := member{key: key.(string)}
		if err := d.Decode(&m.value); err != nil {
			return nil, orElse(err, "")
		}
		out = append(out, m)
	}
	if _, err := d.Token(); err != nil {
		return nil, orElse(err, "")
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, errors.New("something follows the object")
	}
	return out, nil
}

func orElse(err error, text string) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return errors.New("it ends too early")
	}
	if err != nil {
		return err
	}
	return errors.New(text)
}

// jsonFields maps the json names of a struct, and of those inside it, to its
// fields.
func jsonFields(v reflect.Value) (map[string]reflect.Value, []string) {
	fields, names := map[string]reflect.Value{}, []string{}
	for i := range v.NumField() {
		if v.Type().Field(i).Anonymous {
			inner, more := jsonFields(v.Field(i))
			maps.Copy(fields, inner)
			names = append(names, more...)
			continue
		}
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		fields[name] = v.Field(i)
		names = append(names, name)
	}
	return fields, names
}

func pointerTo(key string) string {
	return "/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(key)
}

func wrongType(err error, into any) string {
	if t, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
		return fmt.Sprintf("a %s stands where %s belongs", t.Value, jsonKind(t.Type))
	}
	switch into.(type) {
	case json.Number, *json.Number:
		return "a text stands where a number belongs"
	}
	return err.Error()
}

func jsonKind(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "a text"
	case reflect.Int, reflect.Int64:
		return "a whole number"
	case reflect.Float64:
		return "a number"
	case reflect.Map, reflect.Struct:
		return "an object"
	case reflect.Slice:
		return "a list"
	default:
		return "another kind of value"
	}
}

// pathID reads a positive id from the path; anything else cannot exist.
func pathID(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		return 0, newProblem(http.StatusNotFound, "not-found", "There is no such thing here",
			fmt.Sprintf("%q is not an id", r.PathValue("id")), "ids are whole numbers from 1")
	}
	return id, nil
}
