package acquire

import (
	"fmt"
	"strconv"
	"strings"
)

// Line is one of the last things an instrument said: a reading, or bytes that
// gave none.
type Line struct {
	AtNS   int64
	Raw    []byte       // never changed
	Reason UnusedReason // "": it gave a reading
	Cause  string       // what is wrong with it, where the format can tell

	hex bool // bytes, not text
}

// Text is the line for people. Bytes that cannot be printed are told as in the
// bench file's request: \x00, \t.
func (l Line) Text() string {
	if l.hex {
		return fmt.Sprintf("% X", l.Raw)
	}
	q := strconv.Quote(string(l.Raw))
	return strings.ReplaceAll(q[1:len(q)-1], `\"`, `"`)
}

// lines keeps the last of them.
type lines struct {
	kept [20]Line
	n    int // ever added
}

func (k *lines) add(l Line) {
	k.kept[k.n%len(k.kept)] = l
	k.n++
}

// list is what is kept, oldest first.
func (k *lines) list() []Line {
	from := max(0, k.n-len(k.kept))
	out := make([]Line, 0, k.n-from)
	for i := from; i < k.n; i++ {
		out = append(out, k.kept[i%len(k.kept)])
	}
	return out
}
