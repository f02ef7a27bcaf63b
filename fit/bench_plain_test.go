package fit

import (
	"bytes"
	"encoding/json"
	"math"
	"os/exec"
	"testing"
	"time"
)

// BenchmarkAgainstPlain runs the same joint model, written plainly with scipy
// (bench/plain.py: vectorised, analytic Jacobian, same start, this fit's weights
// frozen, the encoder smoothed beforehand), and says how many times faster this
// fit comes to the same optimum from the same start, weights learnt on the way,
// and how many times faster the whole of Solve is. Both must find the same tops, to 1e-5°.
func BenchmarkAgainstPlain(b *testing.B) {
	python := pythonWithScipy(b)
	in := eight(4, 1000)
	for b.Loop() {
		question, tops, own := plainJob(b, in)
		began := time.Now()
		if _, err := Solve(in); err != nil {
			b.Fatal(err)
		}
		whole := time.Since(began).Seconds()
		cmd := exec.Command(python, "bench/plain.py")
		cmd.Stdin = bytes.NewReader(question)
		answer, err := cmd.Output()
		if err != nil {
			b.Fatal(err)
		}
		var plain struct {
			Seconds float64
			X       []float64
			Rounds  int
		}
		if err := json.Unmarshal(answer, &plain); err != nil {
			b.Fatal(err)
		}
		worst := 0.0
		for i, v := range tops {
			worst = math.Max(worst, math.Abs(plain.X[i]-v))
		}
		if worst > 1e-5 {
			b.Errorf("the optima differ by %.2g°", worst)
		}
		b.ReportMetric(plain.Seconds/own, "times-faster")
		b.ReportMetric(1000*plain.Seconds, "plain-ms")
		b.ReportMetric(1000*own, "own-ms")
		b.ReportMetric(plain.Seconds/whole, "whole-times-faster")
		b.ReportMetric(worst*1e6, "µ°-apart")
	}
}

func pythonWithScipy(b *testing.B) string {
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import scipy").Run() == nil {
			return python
		}
	}
	b.Fatal("no Python with scipy: install Debian's python3-scipy")
	return ""
}

// plainJob is a job as bench/plain.py reads it, the index parameters' values at
// the optimum, and the seconds that this fit took to come there.
func plainJob(b *testing.B, in Input) (question []byte, tops map[int]float64, seconds float64) {
	j := newJob(in)
	if err := j.prepare(); err != nil {
		b.Fatal(err)
	}
	if err := j.build(true); err != nil {
		b.Fatal(err)
	}
	m := j.model
	var start, mean []float64
	var sd []*float64
	add := func(val, mu, s float64) int {
		start, mean = append(start, val), append(mean, mu)
		sd = append(sd, nil)
		if !math.IsInf(s, 1) {
			sd[len(sd)-1] = &s
		}
		return len(start) - 1
	}
	for _, p := range m.params {
		add(p.val, p.mean, p.sd)
	}
	began := time.Now()
	if err := j.approach(1e-6); err != nil { // the plain model takes each reading to stand alone
		b.Fatal(err)
	}
	seconds = time.Since(began).Seconds()
	var passes []map[string]any
	for _, p := range m.passes {
		shift := add(0, 0, p.shift.sd)
		own := make([]int, len(p.seg))
		for i, q := range p.seg {
			own[i] = none
			if q.sd > 0 {
				own[i] = add(0, 0, q.sd)
			}
		}
		var t, y, w []float64
		var seg []int
		at := 0
		for i := range p.t {
			for at < len(p.segs)-1 && p.t[i]-m.value(p.tau) >= p.segs[at].to {
				at++
			}
			if p.w[i] > 0 {
				t, y, w, seg = append(t, p.t[i]), append(y, p.y[i]), append(w, p.w[i]), append(seg, own[at])
			}
		}
		passes = append(passes, map[string]any{"t": t, "y": y, "w": w, "seg": seg, "theta": p.track.theta, "vel": p.track.vel, "t0": p.track.t0, "dt": p.track.dt,
			"dir": p.dir, "base": p.baseDeg, "rod": p.geometry.L, "offset": p.geometry.E, "creep_from": p.creepFrom,
			"at": map[string]int{"tau": p.tau, "lash": p.lash, "mount": p.mount, "index": p.index, "scale": p.scale, "play": p.play, "flip": p.flip,
				"width": p.width, "creep": p.creep, "zero": p.zero, "shift": shift}})
	}
	question, err := json.Marshal(map[string]any{"mean": mean, "sd": sd, "start": start, "crank_mm": in.Engine.StrokeMM / 2, "rod": m.rod, "offset": m.offset, "passes": passes})
	if err != nil {
		b.Fatal(err)
	}
	tops = map[int]float64{}
	for _, i := range j.index {
		if i != none {
			tops[i] = m.value(i)
		}
	}
	return question, tops, seconds
}
