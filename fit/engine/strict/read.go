package strict

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// TOML fills into (a pointer to a struct) from src. file is used in messages
// only. Keys that are absent leave their fields as they were, so that defaults
// can be set beforehand.
func TOML(file string, src []byte, into any) (Places, Problems) {
	src = bytes.TrimPrefix(src, []byte("\ufeff")) // as some editors begin a file
	tree := map[string]any{}
	if err := toml.Unmarshal(src, &tree); err != nil {
		p := Problem{File: file, Line: 1, Detail: strings.TrimPrefix(err.Error(), "toml: "), Fix: "mend this line; it is not valid TOML"}
		var where *toml.DecodeError
		if errors.As(err, &where) {
			p.Line, _ = where.Position()
		}
		if strings.HasPrefix(p.Detail, "invalid escape") {
			p.Fix = "mend this line: between single quotes, '…', a backslash is itself, as patterns need it"
		}
		return Places{file: file}, Problems{p}
	}
	places := scan(file, src)
	return places, places.Locate(fill(into, tree))
}

// JSON does the same from one JSON object.
func JSON(src []byte, into any) (Places, Problems) {
	d := jsonReader{Decoder: json.NewDecoder(bytes.NewReader(src)), places: Places{lines: map[string]int{}}}
	d.UseNumber()
	tree, err := d.value("")
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			err = errors.New("something follows the JSON object")
		}
	}
	if errors.Is(err, io.EOF) {
		err = errors.New("the JSON ends too early")
	}
	if err != nil {
		var ps Problems
		ps.Add("", "send one JSON object", "%s", strings.TrimPrefix(err.Error(), "json: "))
		return d.places, ps
	}
	return d.places, append(d.twice, fill(into, tree)...)
}

type jsonReader struct {
	*json.Decoder
	places Places
	twice  Problems // keys that stand twice
}

func (d *jsonReader) value(pointer string) (any, error) {
	t, err := d.Token()
	if err != nil {
		return nil, fmt.Errorf("not valid JSON at byte %d: %w", d.InputOffset(), err)
	}
	switch t {
	case json.Delim('{'):
		return d.object(pointer)
	case json.Delim('['):
		list := []any{}
		for d.More() {
			element := pointer + "/" + strconv.Itoa(len(list))
			d.places.lines[element] = 0
			v, err := d.value(element)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err := d.Token()
		return list, err
	}
	return t, nil
}

func (d *jsonReader) object(pointer string) (any, error) {
	object := map[string]any{}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return nil, err
		}
		key := t.(string) // More and the decoder's own state vouch for it
		at := pointer + "/" + escape(key)
		if d.places.Has(at) {
			d.twice.Add(at, "keep one of them", "the key %q stands twice", key)
		}
		d.places.lines[at] = 0
		if object[key], err = d.value(at); err != nil {
			return nil, err
		}
	}
	_, err := d.Token()
	return object, err
}
