package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"text/tabwriter"

	"crownmark/acquire"
	"crownmark/dashboards"
	"crownmark/fit"
	"crownmark/store"
)

type reportCmd struct {
	dataFlags
	Job  int64  `arg:"" help:"Job number; crownmark jobs lists them."`
	Out  string `placeholder:"FILE" help:"Where the report goes; standard output if left out."`
	HTML bool   `name:"html" xor:"form" help:"The printable page instead of text."`
	JSON bool   `name:"json" xor:"form" help:"The index document and nothing else."`
}

// Run writes the report.
func (c reportCmd) Run(ctx context.Context, std stdio) error {
	return c.with(ctx, func(s *store.Store) error {
		return toFile(c.Out, std.out, func(w io.Writer) error {
			switch {
			case c.HTML:
				return c.html(ctx, s, w)
			case c.JSON:
				x, err := solveJob(ctx, s, c.Job)
				if err != nil {
					return err
				}
				return writeJSON(w, x)
			}
			return c.text(ctx, s, w)
		})
	})
}

func (c reportCmd) text(ctx context.Context, s *store.Store, w io.Writer) error {
	j, err := s.Job(ctx, c.Job)
	if err != nil {
		return jobError(c.Job, err)
	}
	x, err := solveJob(ctx, s, c.Job)
	if err != nil {
		return err
	}
	sweeps, err := allSweeps(ctx, s, c.Job)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "Job %d, %s, %s, begun %s UTC\n\n", j.ID, j.Name, j.State, j.CreatedAt.UTC().Format("2006-01-02 15:04"))
	if err := writeTable(w, x); err != nil {
		return err
	}
	if err := sweepTable(w, sweeps); err != nil {
		return err
	}
	chain, err := s.Verify(ctx)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "\n%s; revision %s; %s\n", x.Software, *x.Revision, chainWords(chain))
	return err
}

func sweepTable(w io.Writer, sweeps []store.Sweep) error {
	fmt.Fprintln(w, "\nSweeps")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  sweep\tcylinder\tindicator\tway\treadings\tmount\tsetup\tzero\tended because\t")
	for _, s := range sweeps {
		note := acquire.CauseWords(s.Cause)
		if s.State != store.SweepComplete {
			note = s.State
		}
		if s.SetAside {
			note += "; set aside: " + s.Reason
		}
		fmt.Fprintf(t, "  %d\t%d\t%s\t%s\t%d\t%d\t%d\t%d\t%s\t\n", s.ID, s.Cylinder, s.Indicator, fit.WayWords(s.Direction), s.Readings, s.Mount, s.Setup, s.Zeroing, note)
	}
	return t.Flush()
}

// html takes the printable page from the pages themselves, so that there is
// one report and not two.
func (c reportCmd) html(ctx context.Context, s *store.Store, w io.Writer) error {
	if _, err := s.Job(ctx, c.Job); err != nil {
		return jobError(c.Job, err)
	}
	pages, err := dashboards.New(dashboards.Options{Store: s, Bench: idleBench{}, Software: software()})
	if err != nil {
		return err
	}
	ask, err := http.NewRequestWithContext(ctx, http.MethodGet, fmt.Sprintf("http://localhost/jobs/%d/report", c.Job), nil)
	if err != nil {
		return err
	}
	answer := &answer{header: http.Header{}, status: http.StatusOK}
	pages.Handler().ServeHTTP(answer, ask)
	if answer.status != http.StatusOK {
		return fmt.Errorf("job %d: the report page answers %d; crownmark report without --html tells why", c.Job, answer.status)
	}
	_, err = answer.body.WriteTo(w)
	return err
}

// answer keeps what a handler answers.
type answer struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (a *answer) Header() http.Header         { return a.header }
func (a *answer) WriteHeader(status int)      { a.status = status }
func (a *answer) Write(b []byte) (int, error) { return a.body.Write(b) }

// idleBench is no bench: a report asks nothing of one.
type idleBench struct{ dashboards.Bench }

func (idleBench) Snapshot() acquire.Snapshot { return acquire.Snapshot{} }
func (idleBench) Stats() acquire.Stats       { return acquire.Stats{} }
