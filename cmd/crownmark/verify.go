package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"crownmark/dashboards/certificate"
	"crownmark/dashboards/report"
	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

type verifyCmd struct {
	dataFlags
	Report      int64 `placeholder:"NUMBER" help:"Make this issued report again from the raw readings, too."`
	Certificate int64 `placeholder:"NUMBER" help:"Make this issued certificate of an instrument again from the raw readings, too."`
	JSON        bool  `name:"json" help:"Write JSON and nothing else."`
}

// Help is shown below the flags.
func (verifyCmd) Help() string {
	return `Every commit is hashed together with the one before it. The last hash (head) is printed: keep it elsewhere, since no chain can show that its end was cut off. Reports and exports to a file tell it as well.

With --report every figure of an issued report is made again from the raw readings as they stood when it was issued, and what does not follow is named; --certificate does the same for a certificate of an instrument.`
}

// verified is what verify found. Report and Certificate are nil where none was asked for.
type verified struct {
	OK       bool            `json:"ok"`
	Ledgers  int64           `json:"ledgers"`
	Rows     int64           `json:"rows"`
	HeadHash string          `json:"head_hash"`
	Problems []string        `json:"problems"`
	Report   *report.Finding `json:"report,omitempty"`

	Certificate *certificate.Finding `json:"certificate,omitempty"`
}

// Run recomputes every hash, and a report's figures.
func (c verifyCmd) Run(ctx context.Context, std stdio) error {
	return c.with(ctx, func(s *store.Store) error {
		chain, err := s.Verify(ctx)
		if err != nil {
			return err
		}
		v := verified{OK: chain.OK, Ledgers: chain.Ledgers, Rows: chain.Rows, HeadHash: chain.HeadHash, Problems: append([]string{}, chain.Problems...)}
		if err := c.follow(ctx, s, &v); err != nil {
			if !v.OK && !c.JSON { // what the chain showed is told all the same
				v.tell(std.out)
				return errors.Join(err, v.verdict())
			}
			return err
		}
		if c.JSON {
			err = writeJSON(std.out, v)
		} else {
			v.tell(std.out)
		}
		if err != nil {
			return err
		}
		return v.verdict()
	})
}

// follow makes again what was asked for.
func (c verifyCmd) follow(ctx context.Context, s *store.Store, v *verified) error {
	if c.Report > 0 {
		f, err := report.Follow(ctx, s, c.Report, software(), fit.Solve)
		if err != nil {
			return reportError(c.Report, err)
		}
		v.Report = &f
	}
	if c.Certificate > 0 {
		f, err := certificate.Follow(ctx, s, c.Certificate, certificate.Makers{Software: software(), Evaluate: calibrate.Evaluate, Solve: fit.Solve})
		if errors.Is(err, store.ErrNotFound) {
			return fmt.Errorf("certificate %d: no such certificate was issued from this store; the register's pages list them", c.Certificate)
		}
		if err != nil {
			return err
		}
		v.Certificate = &f
	}
	return nil
}

const toldProblems = 20 // a changed reading alters nearly every figure a little

func (v verified) tell(w io.Writer) {
	for _, p := range v.Problems {
		fmt.Fprintln(w, p)
	}
	found := "changed or lost"
	if v.OK {
		found = "nothing was " + found
	}
	fmt.Fprintf(w, "%s: %d commits, %d rows; head %s\n", found, v.Ledgers, v.Rows, v.HeadHash)
	if f := v.Report; f != nil {
		tellFinding(w, fmt.Sprintf("report %d of job %d", f.Number, f.Job), report.Compared{Rule: f.Rule, Figures: f.Figures, Problems: f.Problems}, f.Hash)
	}
	if f := v.Certificate; f != nil {
		tellFinding(w, fmt.Sprintf("certificate %d of instrument %d", f.Number, f.Instrument), report.Compared{Rule: f.Rule, Figures: f.Figures, Problems: f.Problems}, f.Hash)
	}
}

func tellFinding(w io.Writer, what string, f report.Compared, hash string) {
	fmt.Fprintf(w, "%s, SHA-256 %s\nrule: %s\n", what, hash, f.Rule)
	for i, p := range f.Problems {
		if i == toldProblems {
			fmt.Fprintf(w, "and %d more (--json has them all)\n", len(f.Problems)-i)
			break
		}
		fmt.Fprintln(w, p)
	}
	if len(f.Problems) == 0 {
		fmt.Fprintf(w, "every one of its %d figures follows from the raw readings\n", f.Figures)
	} else {
		fmt.Fprintf(w, "of its %d figures, %d do not follow from the raw readings\n", f.Figures, len(f.Problems))
	}
}

func (v verified) verdict() error {
	f := v.Report
	switch {
	case f != nil && !f.OK && !v.OK:
		return fmt.Errorf("report %d does not follow from the raw readings, and the store is not what was recorded: %s; go back to a backup made before", f.Number, count(len(v.Problems), "problem"))
	case f != nil && !f.OK:
		return fmt.Errorf("report %d does not follow from the raw readings: %s; see the rule above, and issue a new report if another version of the program made the difference", f.Number, count(len(f.Problems), "difference"))
	case v.Certificate != nil && !v.Certificate.OK:
		return fmt.Errorf("certificate %d does not follow from the raw readings: %s; see the rule above, and issue a new one if another version of the program made the difference", v.Certificate.Number, count(len(v.Certificate.Problems), "difference"))
	case !v.OK:
		return fmt.Errorf("the store is not what was recorded: %s; go back to a backup made before", count(len(v.Problems), "problem"))
	}
	return nil
}
