package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"crownmark/acquire"
	"crownmark/fit/sweepcsv"
)

// sheet is a sweep file that grows by a row a pair, each on the disk before it is
// acknowledged. It is a Recorder.
type sheet struct {
	f       *os.File
	size    int64
	rows    *sweepcsv.Writer
	out     bytes.Buffer // what rows has written
	resume  acquire.Resume
	fromS   float64 // where t_s goes on
	streams map[int64]*sheetStream
	at      map[sheetKey]int64 // where rows begin
}

// sheetStream is a stream of a hand sweep, by its meaning.
type sheetStream struct {
	acquire.InstrumentConfig
	numbers map[acquire.DatumKind]int
	sweep   *acquire.SweepBegin
	waiting *acquire.Reading // the angle of the pair to come
}

type sheetKey struct{ stream, seq int64 }

const sheetJob = 1

// openSheet makes the file, or goes on with it.
func openSheet(path string, goOn bool, out io.Writer) (*sheet, error) {
	s := &sheet{streams: map[int64]*sheetStream{}, at: map[sheetKey]int64{}}
	head, err := s.header()
	if err != nil {
		return nil, err
	}
	_, err = os.Lstat(path)
	switch {
	case err == nil && !goOn:
		return nil, fmt.Errorf("%s: it is there already; name another file with -o, or say --append to go on with it", path)
	case err == nil:
		if err := s.goOnWith(path, head, out); err != nil {
			return nil, err
		}
	}
	if s.f, err = os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644); err != nil {
		return nil, cannotWrite(path, err)
	}
	if s.size == 0 {
		s.out.Write(head)
	}
	if err := errors.Join(s.f.Truncate(s.size), s.write(s.size), s.f.Sync(), syncFolder(filepath.Dir(path))); err != nil {
		return nil, errors.Join(cannotWrite(path, err), s.f.Close())
	}
	return s, nil
}

// goOnWith reads what is there: its numbers are not used again, and its marks
// are the same marks. A last row that a crash cut off is left out.
func (s *sheet) goOnWith(path string, head []byte, out io.Writer) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return cannotRead(path, err)
	}
	if whole := bytes.LastIndexByte(b, '\n') + 1; whole < len(b) {
		fmt.Fprintf(out, "%s: its last row is not whole and is left out: %q\n", path, b[whole:])
		b = b[:whole]
	}
	if len(b) == 0 {
		return nil
	}
	if !bytes.HasPrefix(b, head) {
		return fmt.Errorf("%s: its columns are not those that record writes; name another file with -o: crownmark fit reads one file at a time", path)
	}
	s.size = int64(len(b))
	if len(b) == len(head) {
		return nil
	}
	f, err := sweepcsv.Read(path, bytes.NewReader(b))
	if err != nil {
		return err
	}
	s.resume.HandMounts = map[int64]int{}
	for _, w := range f.Sweeps {
		r := &s.resume
		r.LastSweep, r.LastMount = max(r.LastSweep, w.ID), max(r.LastMount, w.Mount)
		r.LastSetup, r.LastZeroing = max(r.LastSetup, w.Setup), max(r.LastZeroing, w.Zeroing)
		r.HandMounts[sheetJob] = w.Mount
		s.fromS = max(s.fromS, w.Height.T[len(w.Height.T)-1])
	}
	s.fromS += 60 // nobody knows how long it was
	fmt.Fprintf(out, "%s: going on after its %s\n", path, count(len(f.Sweeps), "sweep"))
	return nil
}

// header is the first line of every such file. The writer names its columns by
// its first row, which is not kept.
func (s *sheet) header() ([]byte, error) {
	zero, one, id, u := 0.0, 1, int64(1), 0.2
	s.rows = sweepcsv.NewWriter(&s.out, true)
	err := s.rows.Write(sweepcsv.Row{Sweep: &id, Cylinder: &one, AngleDeg: &zero, HeightMM: &zero, AngleUDeg: &u})
	err = errors.Join(err, s.rows.Flush())
	head, _, _ := bytes.Cut(bytes.Clone(s.out.Bytes()), []byte("\n"))
	s.out.Reset()
	return append(head, '\n'), err
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func (s *sheet) close() error { return s.f.Close() }

// Record keeps a batch's pairs. A pair that was taken back is cut off again.
func (s *sheet) Record(_ context.Context, b acquire.Batch) (int64, error) {
	s.out.Reset() // of a try that failed
	for _, o := range b.Streams {
		one := &sheetStream{numbers: map[acquire.DatumKind]int{}}
		if err := json.Unmarshal([]byte(o.ConfigJSON), &one.InstrumentConfig); err != nil {
			return 0, err
		}
		s.streams[o.ID] = one
	}
	for _, d := range b.Data {
		s.streams[d.Stream].numbers[d.Kind] = d.Number
	}
	for _, w := range b.Begins {
		s.streams[w.IndStream].sweep, s.streams[w.EncStream].sweep = &w, &w
	}
	back := map[sheetKey]bool{}
	for _, g := range b.Gaps {
		if g.Reason == acquire.ReasonTakenBack {
			back[sheetKey{g.Stream, g.AfterSeq + 1}] = true
		}
	}
	size := s.size
	for key := range back {
		if at, kept := s.at[key]; kept {
			size = min(size, at)
		}
	}
	for _, r := range b.Readings {
		if one := s.streams[r.Stream]; one != nil && one.sweep != nil && !back[sheetKey{r.Stream, r.Seq}] {
			if err := s.reading(one, r, size); err != nil {
				return 0, err
			}
		}
	}
	return 1, s.write(size)
}

// reading makes a row of a height and of the angle before it.
func (s *sheet) reading(one *sheetStream, r acquire.Reading, size int64) error {
	w := one.sweep
	if r.Stream == w.EncStream {
		one.waiting = &r
		return nil
	}
	marks := s.streams[w.EncStream]
	angle := marks.waiting
	if angle == nil || angle.Seq != r.Seq {
		return fmt.Errorf("%w: a height without its mark", acquire.ErrRefused)
	}
	deg, mm := marks.AngleDeg(angle.Ticks, angle.Unit, angle.Decimals), one.HeightMM(r)
	s.at[sheetKey{r.Stream, r.Seq}] = size + int64(s.out.Len())
	row := sweepcsv.Row{Sweep: &w.ID, Cylinder: &w.Cylinder, TS: s.fromS + float64(r.AtNS)/1e9, AngleDeg: &deg, HeightMM: &mm, Indicator: w.Indicator,
		Mount: marks.numbers[acquire.DatumMount], Setup: one.numbers[acquire.DatumSetup], Zeroing: one.numbers[acquire.DatumZeroing],
		AngleUDeg: &marks.AngleUDeg, Raw: one.RawText(r.Raw)}
	return errors.Join(s.rows.Write(row), s.rows.Flush())
}

// write puts what rows made at size, and nothing after it, on the disk.
func (s *sheet) write(size int64) error {
	b := s.out.Bytes()
	if len(b) == 0 && size == s.size {
		return nil
	}
	if _, err := s.f.WriteAt(b, size); err != nil {
		return err
	}
	if err := errors.Join(s.f.Truncate(size+int64(len(b))), s.f.Sync()); err != nil {
		return err
	}
	s.out.Reset()
	s.size = size + int64(len(b))
	return nil
}
