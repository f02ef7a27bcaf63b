package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"testing"

	"crownmark/acquire"
)

func TestReadingsHashLikeRows(t *testing.T) {
	for _, r := range []acquire.Reading{
		{},
		{Stream: 3, Seq: 1 << 40, AtNS: -5, Burst: 7, Ticks: math.MinInt64, Decimals: -1, Unit: acquire.UnitDegree, Raw: []byte("+ 1,25\x00\xff")},
		{Raw: make([]byte, 300)},
	} {
		row := []any{r.Stream, r.Seq, r.AtNS, int64(r.Burst), r.Ticks, int64(r.Decimals), int64(r.Unit), r.Raw}
		if got, want := appendReading(nil, &r), appendRow(nil, "reading", row); string(got) != string(want) {
			t.Errorf("%+v:\n%x\n%x", r, got, want)
		}
	}
}

// The bytes of the description in ledger.go, written out by hand.
func TestCanonicalBytes(t *testing.T) {
	got := hex.EncodeToString(appendRow(nil, "ab", []any{int64(-2), 0.5, "x", []byte{9, 8}, nil}))
	want := "026162" + "05" + "01fffffffffffffffe" + "023fe0000000000000" + "030178" + "04020908" + "00"
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// An independent reading of the description: the whole chain from plain SQL.
func TestChainByTheBook(t *testing.T) {
	o := fullStore(t)
	db := raw(t, o.Path)
	rows := func(query string) [][]any {
		r, err := db.Query(query)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		columns := must[[]string](t)(r.Columns())
		var out [][]any
		for r.Next() {
			values, into := make([]any, len(columns)), make([]any, len(columns))
			for i := range values {
				into[i] = &values[i]
			}
			if err := r.Scan(into...); err != nil {
				t.Fatal(err)
			}
			out = append(out, values)
		}
		return out
	}
	write := func(b *strings.Builder, name string, row []any) {
		b.Write(binary.AppendUvarint(nil, uint64(len(name))))
		b.WriteString(name)
		b.Write(binary.AppendUvarint(nil, uint64(len(row))))
		for _, v := range row {
			switch v := v.(type) {
			case nil:
				b.WriteByte(0)
			case int64:
				b.WriteByte(1)
				binary.Write(b, binary.BigEndian, v)
			case float64:
				b.WriteByte(2)
				binary.Write(b, binary.BigEndian, v)
			case string:
				b.WriteByte(3)
				b.Write(binary.AppendUvarint(nil, uint64(len(v))))
				b.WriteString(v)
			case []byte:
				b.WriteByte(4)
				b.Write(binary.AppendUvarint(nil, uint64(len(v))))
				b.Write(v)
			}
		}
	}
	names := strings.Fields("bench session clock_mark stream datum ledger_span reading gap job job_event selection mark direction sweep sweep_end sweep_event report job_attribute library_engine library_event mark_event instrument instrument_event calibration calibration_point calibration_event certificate")
	prev := make([]byte, 32)
	for _, l := range rows("SELECT id, session, t_ns, unix_ns, hash FROM ledger ORDER BY id") {
		var b strings.Builder
		b.Write(prev)
		write(&b, "ledger", l[:4])
		for _, name := range names {
			query := fmt.Sprintf("SELECT * FROM %s WHERE ledger = %d ORDER BY 1", name, l[0])
			if name == "reading" {
				query = fmt.Sprintf("SELECT r.* FROM ledger_span s JOIN reading r ON r.stream = s.stream AND r.seq BETWEEN s.seq_from AND s.seq_to WHERE s.ledger = %d ORDER BY r.stream, r.seq", l[0])
			}
			for _, row := range rows(query) {
				write(&b, name, row)
			}
		}
		sum := sha256.Sum256([]byte(b.String()))
		if hex.EncodeToString(sum[:]) != hex.EncodeToString(l[4].([]byte)) {
			t.Fatalf("ledger %v: hash %x, by the book %x", l[0], l[4], sum)
		}
		prev = sum[:]
	}
}

func TestManifestIsParsedCarefully(t *testing.T) {
	d := newDigest(hash{}, 1, 1, 0, 0)
	d.row(tMark, "mark", []any{int64(1)})
	d.row(tMark, "mark", []any{int64(2)})
	d.reading(&acquire.Reading{})
	m := d.manifest()
	sums, ok := parseManifest(m)
	if !ok || len(sums[tMark]) != 2 || len(sums[tReading]) != 1 || sums[tMark][1] != d.sums[tMark][1] {
		t.Errorf("%v %v", sums, ok)
	}
	for n := 1; n < len(m); n++ {
		if n == 6 { // one whole table
			continue
		}
		if _, ok := parseManifest(m[:n]); ok {
			t.Errorf("%d of %d bytes were taken", n, len(m))
		}
	}
	for _, bad := range [][]byte{{200, 1, 0, 0, 0, 0}, {1, 255, 255, 255, 255, 255, 255, 255, 255, 255, 1}, append(append([]byte{}, m...), m...)} {
		if _, ok := parseManifest(bad); ok {
			t.Errorf("% x was taken", bad)
		}
	}
}
