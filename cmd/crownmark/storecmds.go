package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"text/tabwriter"
	"time"

	"crownmark/store"
)

// dataFlags say where the store is.
type dataFlags struct {
	Data   string `xor:"data" placeholder:"FILE" help:"The store; crownmark.db if left out."`
	Config string `xor:"data" placeholder:"FILE" help:"Bench file that names the store."`
}

// open opens the store for reading, beside a running daemon or without one.
func (f dataFlags) open(ctx context.Context) (*store.Store, error) {
	path, _, err := f.place()
	if err != nil {
		return nil, err
	}
	return openStore(ctx, store.Options{Path: path, Software: software(), ReadOnly: true})
}

// place is the store's file, and where its daemon serves; "" if no bench file says.
func (f dataFlags) place() (path, listen string, err error) {
	switch {
	case f.Config != "":
		b, err := readBench(f.Config)
		if err != nil {
			return "", "", err
		}
		return b.dataPath(), b.HTTP.Listen, nil
	case f.Data != "":
		return f.Data, "", nil
	}
	return defaultData, "", nil
}

// openStore opens and says which file would not.
func openStore(ctx context.Context, o store.Options) (*store.Store, error) {
	s, err := store.Open(ctx, o)
	switch {
	case errors.Is(err, fs.ErrNotExist) && o.ReadOnly:
		return nil, fmt.Errorf("%s: there is no such store; name it with --data or --config", o.Path)
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: its folder does not exist; make it, or set another [bench] data", o.Path)
	case err != nil:
		return nil, fmt.Errorf("%s: %w", o.Path, err)
	}
	return s, nil
}

// with opens the store, works and closes.
func (f dataFlags) with(ctx context.Context, work func(*store.Store) error) error {
	s, err := f.open(ctx)
	if err != nil {
		return err
	}
	return errors.Join(work(s), s.Close())
}

func jobError(id int64, err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return fmt.Errorf("job %d: there is no such job in the store; crownmark jobs lists them", id)
	}
	return err
}

type jobsCmd struct {
	dataFlags
	JSON bool `name:"json" help:"Write JSON and nothing else."`
}

// jobRow is one job in `jobs --json`.
type jobRow struct {
	ID        int64     `json:"id"`
	Name      string    `json:"name"`
	State     string    `json:"state"`
	Engine    string    `json:"engine"`
	Sweeps    int       `json:"sweeps"`
	Simulated bool      `json:"simulated"`
	CreatedAt time.Time `json:"created_at"`
}

// Run lists the jobs.
func (c jobsCmd) Run(ctx context.Context, std stdio) error {
	return c.with(ctx, func(s *store.Store) error {
		jobs, err := store.All(func(p store.Page) ([]store.Job, *int64, error) { return s.Jobs(ctx, p) })
		if err != nil {
			return err
		}
		rows := []jobRow{}
		for _, j := range jobs {
			sweeps, err := allSweeps(ctx, s, j.ID)
			if err != nil {
				return err
			}
			rows = append(rows, jobRow{j.ID, j.Name, j.State, j.Engine.Name, len(sweeps), j.Simulated, j.CreatedAt.UTC()})
		}
		if c.JSON {
			return writeJSON(std.out, rows)
		}
		return jobTable(std.out, rows)
	})
}

func jobTable(w io.Writer, rows []jobRow) error {
	if len(rows) == 0 {
		fmt.Fprintln(w, "no jobs yet")
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "job\tstate\tsweeps\tbegun (UTC)\tname\tengine\t")
	for _, r := range rows {
		simulated := ""
		if r.Simulated {
			simulated = "SIMULATED"
		}
		fmt.Fprintf(t, "%d\t%s\t%d\t%s\t%s\t%s\t%s\n", r.ID, r.State, r.Sweeps, r.CreatedAt.Format("2006-01-02 15:04"), r.Name, r.Engine, simulated)
	}
	return t.Flush()
}

func allSweeps(ctx context.Context, s *store.Store, job int64) ([]store.Sweep, error) {
	sweeps, err := store.All(func(p store.Page) ([]store.Sweep, *int64, error) { return s.Sweeps(ctx, job, p) })
	return sweeps, jobError(job, err)
}

type exportCmd struct {
	dataFlags
	Job int64  `arg:"" help:"Job number; crownmark jobs lists them."`
	Out string `placeholder:"FILE" help:"Where the CSV goes; standard output if left out."`
}

// Run writes the job's sweeps and, where they go to a file, tells the head of
// the store they came from.
func (c exportCmd) Run(ctx context.Context, std stdio) error {
	return c.with(ctx, func(s *store.Store) error {
		err := toFile(c.Out, std.out, func(w io.Writer) error { return s.Export(ctx, c.Job, w) })
		if err != nil || c.Out == "" {
			return jobError(c.Job, err)
		}
		chain, err := s.Verify(ctx)
		if err != nil {
			return err
		}
		fmt.Fprintf(std.out, "job %d is in %s; %s\n", c.Job, c.Out, chainWords(chain))
		return nil
	})
}

// chainWords says whether the store is what was recorded, and its head.
func chainWords(r store.VerifyReport) string {
	holds := "holds"
	if !r.OK {
		holds = "is BROKEN (crownmark verify says where)"
	}
	return fmt.Sprintf("the store's chain of %d commits %s, head %s", r.Ledgers, holds, r.HeadHash)
}

type backupCmd struct {
	dataFlags
	File string `arg:"" help:"The copy; it must not exist yet."`
}

// Run copies the store.
func (c backupCmd) Run(ctx context.Context, std stdio) error {
	return c.with(ctx, func(s *store.Store) error {
		if err := s.Backup(ctx, c.File); err != nil {
			return fmt.Errorf("%s: %w", c.File, err)
		}
		fmt.Fprintf(std.out, "copied to %s\n", c.File)
		return nil
	})
}
