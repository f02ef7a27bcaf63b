package strict

import (
	"bytes"
	"cmp"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Places says which keys a document holds, and on which line. The zero value
// holds none.
type Places struct {
	file  string
	lines map[string]int // JSON pointer → line; 0 in JSON
}

// Has reports whether the document itself gives the key at that pointer.
func (p Places) Has(pointer string) bool {
	_, ok := p.lines[pointer]
	return ok
}

// Line is where the key at pointer stands or, where it does not, the table it
// would belong to; 1 for the top of the file.
func (p Places) Line(pointer string) int {
	for ; pointer != ""; pointer = pointer[:strings.LastIndexByte(pointer, '/')] {
		if line, ok := p.lines[pointer]; ok {
			return line
		}
	}
	return 1
}

// Locate fills in file and line of every problem from its pointer, and sorts
// them by line. For JSON it changes nothing.
func (p Places) Locate(ps Problems) Problems {
	if p.file == "" {
		return ps
	}
	for i := range ps {
		ps[i].File, ps[i].Line = p.file, p.Line(ps[i].Pointer)
	}
	slices.SortStableFunc(ps, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
	return ps
}

// scan notes the line of every key, table and array element of a TOML
// document that is known to parse.
func scan(file string, src []byte) Places {
	s := scanner{src: src, Places: Places{file: file, lines: map[string]int{}}, tables: map[string]int{}}
	s.parser.Reset(src)
	for s.parser.NextExpression() {
		switch x := s.parser.Expression(); x.Kind {
		case unstable.Table, unstable.ArrayTable:
			s.table = s.key("", x.Key(), x.Kind == unstable.ArrayTable)
		case unstable.KeyValue:
			s.keyValue(s.table, x)
		}
	}
	return s.Places
}

type scanner struct {
	Places
	parser unstable.Parser
	src    []byte
	table  string         // pointer of the current table
	tables map[string]int // [[…]] seen so far, by the pointer of their array
}

func (s *scanner) line(r unstable.Range) int {
	return 1 + bytes.Count(s.src[:r.Offset], []byte("\n"))
}

// key follows a dotted key from base. The last part of an array table is
// given its next number, earlier ones stand for their array's last table.
func (s *scanner) key(base string, it unstable.Iterator, arrayTable bool) string {
	for it.Next() {
		k := it.Node()
		base += "/" + escape(string(k.Data))
		if _, seen := s.lines[base]; !seen {
			s.lines[base] = s.line(k.Raw)
		}
		n, isArray := s.tables[base]
		if arrayTable && it.IsLast() {
			s.tables[base] = n + 1
			base += "/" + strconv.Itoa(n)
			s.lines[base] = s.line(k.Raw)
		} else if isArray {
			base += "/" + strconv.Itoa(n-1)
		}
	}
	return base
}

func (s *scanner) keyValue(base string, x *unstable.Node) {
	s.value(s.key(base, x.Key(), false), x.Value())
}

func (s *scanner) value(pointer string, x *unstable.Node) {
	switch x.Kind {
	case unstable.InlineTable:
		for it := x.Children(); it.Next(); {
			s.keyValue(pointer, it.Node())
		}
	case unstable.Array:
		i := 0
		for it := x.Children(); it.Next(); i++ {
			element := pointer + "/" + strconv.Itoa(i)
			if s.lines[element] = s.lines[pointer]; it.Node().Raw.Length > 0 {
				s.lines[element] = s.line(it.Node().Raw)
			}
			s.value(element, it.Node())
		}
	}
}

// escape writes one reference token of a JSON pointer (RFC 6901 §3).
func escape(key string) string {
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(key)
}
