package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"crownmark/acquire"
	"crownmark/dashboards"
	"crownmark/dashboards/report"
	"crownmark/fit"
	"crownmark/store"
)

type reportCmd struct {
	dataFlags
	Job    int64  `arg:"" optional:"" help:"Job number; crownmark jobs lists them."`
	Number int64  `placeholder:"N" help:"Write the issued report N instead of a job's draft."`
	Issue  bool   `help:"Issue the job's report: it gets a number and is frozen."`
	Daemon string `placeholder:"URL" help:"Where the daemon serves, with --issue while it has the store; as [http] listen of --config if left out."`

	TemperatureC *float64 `name:"temperature-c" placeholder:"C" help:"To be stated on it: the engine's temperature, °C."`
	Rings        string   `placeholder:"WORDS" help:"To be stated on it: 'fitted' or 'not fitted'."`
	EncoderEnd   string   `placeholder:"WORDS" help:"To be stated on it: 'damper end' or 'flywheel end'."`
	MeasuredBy   string   `placeholder:"NAME" help:"To be stated on it."`

	Out      string `placeholder:"FILE" help:"Where the report goes; standard output if left out."`
	HTML     bool   `name:"html" xor:"form" help:"One HTML file to print, keep or mail, instead of text."`
	JSON     bool   `name:"json" xor:"form" help:"The index document (of an issued report: the whole frozen document) and nothing else."`
	Language string `enum:"en,de" default:"en" help:"Of the HTML: en or de."`
	Paper    string `enum:"A4,letter" default:"A4" help:"Of the HTML: A4 or letter."`
}

// Help is shown below the flags.
func (reportCmd) Help() string {
	return `A draft shows the job as it stands. An issued report is frozen under a number of the store: later sweeps do not alter it, and crownmark verify --report N makes every figure of it again from the raw readings.`
}

// Validate refuses what cannot be meant.
func (c reportCmd) Validate() error {
	switch {
	case (c.Job == 0) == (c.Number == 0):
		return errors.New("name a job (crownmark report 1) or an issued report (crownmark report --number 1), and not both")
	case c.Issue && c.Number != 0:
		return errors.New("a report is issued of a job: crownmark report 1 --issue")
	case !slices.Contains(report.RingsSaid, c.Rings) || !slices.Contains(report.EndsSaid, c.EncoderEnd):
		return fmt.Errorf("--rings is one of %q, --encoder-end one of %q; leave out what is not known", report.RingsSaid[:2], report.EndsSaid[:2])
	}
	return nil
}

// Run writes a draft or an issued report.
func (c reportCmd) Run(ctx context.Context, std stdio) error {
	if c.Issue {
		number, err := c.issue(ctx)
		if err != nil {
			return err
		}
		fmt.Fprintf(std.err, "issued as report %d\n", number)
		c.Job, c.Number = 0, number
	}
	return c.with(ctx, func(s *store.Store) error {
		d, hash, err := c.document(ctx, s)
		if err != nil {
			return err
		}
		return toFile(c.Out, std.out, func(w io.Writer) error {
			switch {
			case c.HTML:
				return dashboards.WriteReport(w, d, hash, dashboards.ReportLook{Language: c.Language, Paper: c.Paper})
			case c.JSON && c.Number > 0:
				return writeJSON(w, d)
			case c.JSON:
				return writeJSON(w, d.Index)
			}
			return c.text(ctx, s, w, d, hash)
		})
	})
}

// document is the frozen one, or a draft of the job as it stands.
func (c reportCmd) document(ctx context.Context, s *store.Store) (d report.Document, hash string, err error) {
	if c.Number > 0 {
		r, err := s.Report(ctx, c.Number)
		if err != nil {
			return d, "", reportError(c.Number, err)
		}
		d, err = report.Read(r)
		return d, r.Hash, err
	}
	d, err = draftOf(ctx, s, c.Job, c.stated())
	return d, "", err
}

func draftOf(ctx context.Context, s *store.Store, job int64, stated report.Stated) (report.Document, error) {
	st, err := s.Standing(ctx, job, 0)
	if err != nil {
		return report.Document{}, jobError(job, err)
	}
	d, err := report.Draft(st, stated, software(), fit.Solve)
	if err != nil {
		return d, fmt.Errorf("job %d: %w", job, err)
	}
	return d, nil
}

func reportError(number int64, err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return fmt.Errorf("report %d: no such report was issued from this store; crownmark jobs lists its jobs, and their pages the reports", number)
	}
	return err
}

func (c reportCmd) stated() report.Stated {
	return report.Stated{TemperatureC: c.TemperatureC, Rings: c.Rings, EncoderEnd: c.EncoderEnd, MeasuredBy: c.MeasuredBy}
}

// cited names the calibrations by which the sweeps were made.
func cited(list []report.Calibration) string {
	if len(list) == 0 {
		return report.NoCalibration
	}
	var all []string
	for _, c := range list {
		all = append(all, c.String())
	}
	return strings.Join(all, "; ")
}

func (c reportCmd) text(ctx context.Context, s *store.Store, w io.Writer, d report.Document, hash string) error {
	head := "DRAFT, not issued"
	if d.Number > 0 {
		head = fmt.Sprintf("Report %d, issued %s UTC, SHA-256 %s", d.Number, d.IssuedAt.UTC().Format("2006-01-02 15:04"), hash)
	}
	fmt.Fprintf(w, "%s\nJob %d, %s, %s, begun %s UTC\n", head, d.Job.ID, d.Job.Name, d.Job.State, d.Job.BegunAt.UTC().Format("2006-01-02 15:04"))
	if d.Number > 0 {
		temperature := ""
		if t := d.Stated.TemperatureC; t != nil {
			temperature = fmt.Sprintf("%g °C", *t)
		}
		fmt.Fprintf(w, "As stated: temperature: %s; rings: %s; encoder at: %s; measured by: %s\nCalibrations cited: %s\n",
			said(temperature), said(d.Stated.Rings), said(d.Stated.EncoderEnd), said(d.Stated.MeasuredBy), cited(d.Calibrations))
	}
	fmt.Fprintln(w)
	if err := writeTable(w, d.Index); err != nil {
		return err
	}
	if err := sweepTable(w, d.Sweeps); err != nil {
		return err
	}
	if d.Number > 0 {
		_, err := fmt.Fprintf(w, "\n%s; ledger head at commit %d: %s\n", d.Software, d.Ledger.ID, d.Ledger.Hash)
		return err
	}
	chain, err := s.Verify(ctx)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "\n%s; revision %s; %s\n", d.Software, *d.Index.Revision, chainWords(chain))
	return err
}

func said(s string) string {
	if s == "" {
		return "not said"
	}
	return s
}

func sweepTable(w io.Writer, sweeps []report.Sweep) error {
	fmt.Fprintln(w, "\nSweeps")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  sweep\tcylinder\tindicator\tway\treadings\tmount\tsetup\tzero\tused\tended because\t")
	for _, s := range sweeps {
		note := acquire.CauseWords(s.Cause)
		if s.EndedAt == nil {
			note = "it had not ended"
		}
		used := "no"
		switch {
		case s.Used:
			used = "yes"
		case s.SetAside:
			note += "; set aside: " + s.Reason
		}
		fmt.Fprintf(t, "  %d\t%d\t%s\t%s\t%d\t%d\t%d\t%d\t%s\t%s\t\n", s.ID, s.Cylinder, s.Indicator, fit.WayWords(s.Direction), s.Readings, s.Mount, s.Setup, s.Zeroing, used, note)
	}
	return t.Flush()
}

// issue freezes the job's report: in the store itself, or through the daemon
// that has it.
func (c reportCmd) issue(ctx context.Context) (number int64, err error) {
	if c.Daemon != "" {
		return c.issueThere(ctx, c.Daemon)
	}
	path, listen, err := c.place()
	if err != nil {
		return 0, err
	}
	s, err := openStore(ctx, store.Options{Path: path, Software: software()})
	switch {
	case errors.Is(err, store.ErrInUse) && listen != "":
		return c.issueThere(ctx, "http://"+listen)
	case errors.Is(err, store.ErrInUse):
		return 0, fmt.Errorf("%s: a daemon has this store; issue on its page /jobs/%d/report, or say where it serves with --daemon http://%s", path, c.Job, defaultListen)
	case err != nil:
		return 0, err
	}
	return number, errors.Join(func() (err error) { number, err = c.issueHere(ctx, s); return err }(), s.Close())
}

func (c reportCmd) issueHere(ctx context.Context, s *store.Store) (int64, error) {
	d, err := draftOf(ctx, s, c.Job, c.stated())
	if err != nil {
		return 0, err
	}
	r, err := dashboards.Issue(ctx, s, d, "command")
	return r.Number, err
}

func (c reportCmd) issueThere(ctx context.Context, url string) (int64, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var r struct {
		Number int64 `json:"number"`
	}
	b := builder{base: url}
	err := b.call(ctx, "POST", fmt.Sprintf("/api/v1/jobs/%d/reports", c.Job), c.stated(), &r)
	return r.Number, err
}
