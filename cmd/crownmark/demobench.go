package main

import (
	"io"
	"os"
	"text/template"

	"crownmark/acquire/virtual"
)

// How well the virtual encoder is mounted and divided: what it is drawn from
// is what the bench file declares.
const (
	demoEccentricityUDeg = 0.002
	demoAccuracyUDeg     = 0.001
)

// demoFaults are what a calibration of the virtual indicator finds: 6 µm from
// end to end, 2 µm lost when it turns round.
func demoFaults() virtual.IndicatorFaults {
	return virtual.IndicatorFaults{HysteresisMM: 0.002,
		ErrorCurve: []virtual.CurvePoint{{PlungerMM: 0}, {PlungerMM: 3, ErrorMM: 0.003}, {PlungerMM: 6.5, ErrorMM: -0.002}, {PlungerMM: 9, ErrorMM: 0.001}, {PlungerMM: 13, ErrorMM: -0.003}}}
}

const demoBench = `# Written by crownmark demo: the virtual bench.
[bench]
name = "virtual bench"
data = "crownmark.db"

[encoder]
port = {{printf "%q" .Encoder}}
baud = 115200
pattern = '^(?P<count>[-+]?\d+)$'
counts_per_rev = {{.Truth.Encoder.CountsPerRev}}
direction = {{.Truth.Encoder.Direction}}
eccentricity_u_deg = {{.EccentricityUDeg}}
accuracy_u_deg = {{.AccuracyUDeg}}
{{range .Truth.Indicators}}
[[indicator]]
name = {{printf "%q" .Name}}
port = {{printf "%q" (call $.Port .Name)}}
baud = 38400
pattern = '^(?P<value>[-+]\d+\.\d+) (?P<unit>mm|in)$'
resolution_mm = {{call $.StepMM .}}
{{end}}
[sweep]
idle_s = {{.IdleS}}

[http]
listen = {{printf "%q" .Listen}}
`

// demoIdleS is how long a hand at the virtual bar may rest within a sweep, in
// its own seconds.
const demoIdleS = 30

// writeDemoBench writes the bench file for a rig and reads it back as run would.
func writeDemoBench(path string, rig *virtual.Rig, listen string) (benchFile, error) {
	t, err := template.New("bench").Parse(demoBench)
	if err != nil {
		panic(err) // a mistake in the text above
	}
	err = toFile(path, nil, func(w io.Writer) error {
		return t.Execute(w, map[string]any{"Truth": rig.Truth(), "Encoder": rig.EncoderPort(), "Port": rig.IndicatorPort, "StepMM": stepMM,
			"Listen": listen, "EccentricityUDeg": demoEccentricityUDeg, "AccuracyUDeg": demoAccuracyUDeg,
			"IdleS": demoIdleS / rig.Speedup()})
	})
	if err != nil {
		return benchFile{}, err
	}
	src, err := os.ReadFile(path)
	if err != nil {
		return benchFile{}, cannotRead(path, err)
	}
	b, problems := parseBench(path, src)
	return b, problems.Err()
}

func stepMM(i virtual.Indicator) float64 {
	if i.Unit == "in" {
		return 25.4 * i.Step
	}
	return i.Step
}
