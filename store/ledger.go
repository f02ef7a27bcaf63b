package store

import (
	"crypto/sha256"
	"encoding/binary"
	"hash/crc32"
	"math"

	"crownmark/acquire"
)

// The chain. Each commit has one ledger row whose hash is
//
//	SHA-256(prev ‖ canonical(ledger) ‖ canonical(row 1) ‖ canonical(row 2) ‖ …)
//
// prev is the hash of the ledger before (32 zero bytes for the first);
// canonical(ledger) holds id, session, t_ns and unix_ns. Then follow all rows of
// that commit, table by table in the order of tableID, within a table by the
// first column (readings by stream, then seq). A canonical row is
//
//	uvarint(len(name)) name uvarint(number of columns) column…
//
// with each column a tag byte and a value, columns in the order of tables():
//
//	0 NULL      nothing
//	1 INTEGER   8 bytes, big-endian two's complement
//	2 REAL      8 bytes, big-endian IEEE 754
//	3 TEXT      uvarint(length) and the bytes
//	4 BLOB      uvarint(length) and the bytes
//
// The manifest beside the hash is no evidence, it only tells where to look: for
// each table with rows in this commit one byte tableID, uvarint(number of rows)
// and four bytes for each row, its canonical form's CRC-32C, big-endian.

type hash = [sha256.Size]byte

const (
	tagNull byte = iota
	tagInteger
	tagReal
	tagText
	tagBlob
)

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func appendInteger(b []byte, n int64) []byte {
	return binary.BigEndian.AppendUint64(append(b, tagInteger), uint64(n))
}

func appendBlob(b, blob []byte) []byte {
	return append(binary.AppendUvarint(append(b, tagBlob), uint64(len(blob))), blob...)
}

// appendValue appends one column. Only what SQLite hands back may come: int64,
// float64, string, []byte and nil.
func appendValue(b []byte, v any) []byte {
	switch v := v.(type) {
	case nil:
		return append(b, tagNull)
	case int64:
		return appendInteger(b, v)
	case float64:
		return binary.BigEndian.AppendUint64(append(b, tagReal), math.Float64bits(v))
	case string:
		return appendText(append(b, tagText), v)
	case []byte:
		return appendBlob(b, v)
	}
	panic("store: a column that SQLite does not know")
}

func appendRow(b []byte, name string, values []any) []byte {
	b = binary.AppendUvarint(appendText(b, name), uint64(len(values)))
	for _, v := range values {
		b = appendValue(b, v)
	}
	return b
}

// appendReading is appendRow for a reading, without boxing its columns.
func appendReading(b []byte, r *acquire.Reading) []byte {
	b = append(appendText(b, "reading"), 8)
	b = appendInteger(b, r.Stream)
	b = appendInteger(b, r.Seq)
	b = appendInteger(b, r.AtNS)
	b = appendInteger(b, int64(r.Burst))
	b = appendInteger(b, r.Ticks)
	b = appendInteger(b, int64(r.Decimals))
	b = appendInteger(b, int64(r.Unit))
	return appendBlob(b, r.Raw)
}

// digest collects one commit's canonical rows and their manifest.
type digest struct {
	buf  []byte
	crc  *crc32.Table
	sums [tableCount][]uint32
	rows int
	from int // where the row being appended began
}

func newDigest(prev hash, ledger, session, tNS, unixNS int64) *digest {
	d := &digest{crc: crc32.MakeTable(crc32.Castagnoli)}
	d.reset(prev, ledger, session, tNS, unixNS)
	return d
}

// reset starts another commit in the same memory.
func (d *digest) reset(prev hash, ledger, session, tNS, unixNS int64) {
	d.buf = append(d.buf[:0], prev[:]...)
	d.buf = appendRow(d.buf, "ledger", []any{ledger, session, tNS, unixNS})
	for t := range d.sums {
		d.sums[t] = d.sums[t][:0]
	}
	d.rows = 0
}

func (d *digest) row(t tableID, name string, values []any) {
	d.from = len(d.buf)
	d.buf = appendRow(d.buf, name, values)
	d.count(t)
}

func (d *digest) reading(r *acquire.Reading) {
	d.from = len(d.buf)
	d.buf = appendReading(d.buf, r)
	d.count(tReading)
}

func (d *digest) count(t tableID) {
	d.sums[t] = append(d.sums[t], crc32.Checksum(d.buf[d.from:], d.crc))
	d.rows++
}

func (d *digest) sum() hash { return sha256.Sum256(d.buf) }

func (d *digest) manifest() []byte {
	var m []byte
	for t, sums := range d.sums {
		if len(sums) == 0 {
			continue
		}
		m = binary.AppendUvarint(append(m, byte(t)), uint64(len(sums)))
		for _, s := range sums {
			m = binary.BigEndian.AppendUint32(m, s)
		}
	}
	return m
}

// parseManifest is the way back; ok is false for one that was cut or mangled.
func parseManifest(m []byte) (sums [tableCount][]uint32, ok bool) {
	for len(m) > 0 {
		t := tableID(m[0])
		n, w := binary.Uvarint(m[1:])
		if t >= tableCount || w <= 0 || sums[t] != nil || n == 0 || n > uint64(len(m)/4) {
			return sums, false
		}
		m = m[1+w:]
		if uint64(len(m)) < 4*n {
			return sums, false
		}
		sums[t] = make([]uint32, n)
		for i := range sums[t] {
			sums[t][i] = binary.BigEndian.Uint32(m[4*i:])
		}
		m = m[4*n:]
	}
	return sums, true
}
