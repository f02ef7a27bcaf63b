//go:build accuracy

package main

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"
)

// figures is what a set of jobs came to.
type figures struct {
	jobs, values, refused          int
	median, p95, u95               float64 // degrees
	covered, coveredLo, coveredHi  float64 // share; interval by resampling whole jobs
	sharpness, efficiency, meanEff float64 // u95/(1.96·√bound), error²/bound: medians and mean
}

// figure sums jobs up. A job's errors go together, so the interval of the
// coverage comes from drawing whole jobs anew, 400 times.
func figure(jobs []*outcome) figures {
	f := figures{jobs: len(jobs)}
	var off, u95, sharp, eff []float64
	inside := 0
	for _, o := range jobs {
		f.refused += len(o.refused)
		inside += o.inside()
		for i, m := range o.miss {
			off, u95 = append(off, math.Abs(m)), append(u95, o.u95[i])
			if v := o.variance[i]; v > 0 {
				sharp, eff = append(sharp, o.u95[i]/(1.96*math.Sqrt(v))), append(eff, m*m/v)
			}
		}
	}
	f.values = len(off)
	f.covered = float64(inside) / float64(len(off))
	f.median, f.p95, f.u95 = quantileOf(off, 0.5), quantileOf(off, 0.95), quantileOf(u95, 0.5)
	f.sharpness, f.efficiency = quantileOf(sharp, 0.5), quantileOf(eff, 0.5)
	for _, e := range eff {
		f.meanEff += e / float64(len(eff))
	}
	f.coveredLo, f.coveredHi = resampled(jobs, 400)
	return f
}

func resampled(jobs []*outcome, times int) (lo, hi float64) {
	r := rand.New(rand.NewPCG(1, 2))
	var shares []float64
	for range times {
		inside, n := 0, 0
		for range jobs {
			o := jobs[r.IntN(len(jobs))]
			inside, n = inside+o.inside(), n+len(o.miss)
		}
		if n > 0 {
			shares = append(shares, float64(inside)/float64(n))
		}
	}
	return quantileOf(shares, 0.025), quantileOf(shares, 0.975)
}

// quantile sorts v; NaN of nothing.
func quantileOf(v []float64, p float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	sort.Float64s(v)
	return v[int(math.Round(p*float64(len(v)-1)))]
}

// slice is the jobs that have one thing in common.
type slice struct {
	by, name string
	jobs     []*outcome
}

// slices of all jobs by each quantity, in a fixed order.
func slicesOf(all []*outcome) []slice {
	var out []slice
	discrete := func(by string, of func(*outcome) float64, unit string) {
		out = append(out, byValue(all, by, of, unit)...)
	}
	third := func(by string, of func(*outcome) float64, unit string) {
		out = append(out, byThird(all, by, of, unit)...)
	}
	yesNo := func(by string, of func(*outcome) bool) {
		var yes, no []*outcome
		for _, o := range all {
			if of(o) {
				yes = append(yes, o)
			} else {
				no = append(no, o)
			}
		}
		out = append(out, slice{by, "yes", yes}, slice{by, "no", no})
	}
	discrete("readings per second", func(o *outcome) float64 { return o.truth.Indicators[0].RateHz }, "")
	discrete("counts per turn", func(o *outcome) float64 { return float64(o.truth.Encoder.CountsPerRev) }, "")
	discrete("display step", func(o *outcome) float64 { return o.resolutionMM }, " mm")
	third("play", func(o *outcome) float64 { return o.playMM }, " mm")
	third("latency", func(o *outcome) float64 { return o.truth.Indicators[0].LatencyMS }, " ms")
	third("lash", func(o *outcome) float64 { return o.truth.Encoder.LashDeg }, "°")
	third("spikes", func(o *outcome) float64 { return 100 * o.truth.Indicators[0].SpikeShare }, " %")
	third("scale", func(o *outcome) float64 { return o.scale }, "")
	third("speed", func(o *outcome) float64 { return o.degPerS }, " °/s")
	third("stroke", func(o *outcome) float64 { return o.engine.StrokeMM }, " mm")
	third("rod ratio", func(o *outcome) float64 { return *o.engine.RodMM / o.engine.StrokeMM }, "")
	third("pin offset", func(o *outcome) float64 { return *o.engine.PinOffsetMM }, " mm")
	yesNo("creep", func(o *outcome) bool { return o.creep })
	yesNo("re-grip steps", func(o *outcome) bool { return o.regrip })
	yesNo("eccentricity", func(o *outcome) bool { return o.eccentric })
	return out
}

func byValue(all []*outcome, by string, of func(*outcome) float64, unit string) []slice {
	groups := map[float64][]*outcome{}
	for _, o := range all {
		groups[of(o)] = append(groups[of(o)], o)
	}
	var out []slice
	for v, jobs := range groups {
		out = append(out, slice{by, fmt.Sprintf("%g%s", v, unit), jobs})
	}
	slices.SortFunc(out, func(a, b slice) int { return cmp.Compare(of(a.jobs[0]), of(b.jobs[0])) })
	return out
}

func byThird(all []*outcome, by string, of func(*outcome) float64, unit string) []slice {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b *outcome) int { return cmp.Compare(of(a), of(b)) })
	var out []slice
	for i := range 3 {
		jobs := sorted[i*len(sorted)/3 : (i+1)*len(sorted)/3]
		if len(jobs) > 0 {
			out = append(out, slice{by, fmt.Sprintf("%.3g to %.3g%s", of(jobs[0]), of(jobs[len(jobs)-1]), unit), jobs})
		}
	}
	return out
}

const tableHead = "| by | jobs | values | no result | median ° | 95 % ° | median u95 ° | covered | its 95 % interval | u95/limit | error²/limit, median | mean |\n" +
	"|---|---|---|---|---|---|---|---|---|---|---|---|\n"

func (f figures) row(name string) string {
	return fmt.Sprintf("| %s | %d | %d | %d | %.4f | %.4f | %.4f | %.1f %% | %.1f to %.1f %% | %.2f | %.2f | %.2f |\n", name, f.jobs, f.values, f.refused,
		f.median, f.p95, f.u95, 100*f.covered, 100*f.coveredLo, 100*f.coveredHi, f.sharpness, f.efficiency, f.meanEff)
}

// reasons counts why index errors have no value, and which flags jobs carry.
func reasons(all []*outcome) string {
	none, flags := map[string]int{}, map[string]int{}
	for _, o := range all {
		for _, r := range o.refused {
			none[r]++
		}
		for f := range o.flags {
			flags[f]++
		}
	}
	var b strings.Builder
	counted(&b, "no result because", none)
	counted(&b, "jobs with flag", flags)
	return b.String()
}

func counted(b *strings.Builder, what string, counts map[string]int) {
	if len(counts) == 0 {
		return
	}
	fmt.Fprintf(b, "| %s | count |\n|---|---|\n", what)
	keys := make([]string, 0, len(counts))
	for k := range counts {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		fmt.Fprintf(b, "| %s | %d |\n", k, counts[k])
	}
	b.WriteString("\n")
}

// coreSlices shows how far the core jobs' doubt is the instruments' own: the
// coarse encoder tells less.
func coreSlices(core []*outcome) []slice {
	out := byValue(core, "counts per turn", func(o *outcome) float64 { return float64(o.truth.Encoder.CountsPerRev) }, "")
	out = append(out, byValue(core, "readings per second", func(o *outcome) float64 { return o.truth.Indicators[0].RateHz }, "")...)
	return append(out, byValue(core, "display step", func(o *outcome) float64 { return o.resolutionMM }, " mm")...)
}

// worst names the jobs whose truth lies furthest outside the doubt, so that
// they can be made again.
func worst(all []*outcome, n int) string {
	ratio := func(o *outcome) (most float64) {
		for i, m := range o.miss {
			most = max(most, math.Abs(m)/o.u95[i])
		}
		return most
	}
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b *outcome) int { return cmp.Compare(ratio(b), ratio(a)) })
	var b strings.Builder
	for _, o := range sorted[:min(n, len(sorted))] {
		i := o.truth.Indicators[0]
		fmt.Fprintf(&b, "seed %d: error %.1f times u95; %g/s, %g %s, %d counts, %.1f °/s, creep %v, re-grip steps %v, eccentricity %v\n",
			o.seed, ratio(o), i.RateHz, i.Step, i.Unit, o.truth.Encoder.CountsPerRev, o.degPerS, o.creep, o.regrip, o.eccentric)
	}
	return b.String()
}
