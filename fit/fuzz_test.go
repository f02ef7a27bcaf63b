package fit

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"testing"
	"time"
)

// jobFrom makes a job of any bytes: first a few settings, then readings, eight
// bytes each. Some are as a real sweep's, moved by what the bytes say.
func jobFrom(data []byte) Input {
	s := newSynth()
	at := 0
	next := func() byte {
		if at >= len(data) {
			return 0
		}
		at++
		return data[at-1]
	}
	var in Input
	kinds := 1 + int(next())%4
	in = s.input()
	for k := range kinds {
		cylinder := 1 + int(next())%4
		from := -30 + float64(next())/4
		to := 30 - float64(next())/4
		w := s.sweep(cylinder, 1+int(next())%2, 1+k/2, from, to+1e-3, 3+float64(next())/10)
		if len(w.Height.T) > 700 {
			w.Height.T, w.Height.V = w.Height.T[:700], w.Height.V[:700]
		}
		in.Sweeps = append(in.Sweeps, w)
	}
	in.DirectionConfirmed = next()%4 > 0
	u := float64(next()) / 50
	in.Priors.EccentricityUDeg = &u
	in.Priors.MinSpanDeg = float64(next()) / 20
	for at+12 <= len(data) { // wrong readings
		which, where := data[at], int(binary.LittleEndian.Uint16(data[at+1:]))
		v := math.Float64frombits(binary.LittleEndian.Uint64(data[at+4:]))
		w := &in.Sweeps[int(which>>2)%len(in.Sweeps)]
		list := [][]float64{w.Height.V, w.Height.T, w.Encoder.V, w.Encoder.T}[which&3]
		if len(list) > 0 {
			for i := range 1 + int(data[at+3])%64 {
				list[(where+i)%len(list)] = v
			}
		}
		at += 12
	}
	if u > 1 {
		in.Marks = append(in.Marks, Mark{MarkDeg: u, AngleDeg: 70 + u, Mount: 1 + int(next())%3, Approach: int(next())%3 - 1})
	}
	return in
}

// FuzzSolve: no job makes Solve panic, hang or say what is no number.
func FuzzSolve(f *testing.F) {
	f.Add([]byte{3, 0, 0, 0, 0, 30, 0, 240, 240, 0, 30, 2, 0, 0, 0, 30, 2, 240, 240, 0, 30, 3, 1, 100})
	f.Add([]byte{1, 0, 0, 0, 0, 10, 2, 0, 0, 1, 90, 3, 1, 100, 0, 10, 0, 5, 0, 0, 0, 0, 0, 0, 240, 127, 2, 50, 0, 60, 0, 0, 0, 0, 0, 0, 248, 127})
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 4096 {
			return
		}
		in := jobFrom(data)
		began := time.Now()
		ix, err := Solve(in)
		if took := time.Since(began); took > 2*time.Second {
			t.Errorf("took %v", took)
		}
		if err != nil {
			return
		}
		if _, err := json.Marshal(ix); err != nil {
			t.Error(err)
		}
	})
}
