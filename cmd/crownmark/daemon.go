package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"

	"crownmark/acquire"
	"crownmark/dashboards"
	"crownmark/store"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"golang.org/x/sync/errgroup"
)

// daemon is one bench with its store and its pages, wired together.
type daemon struct {
	file     benchFile
	store    *store.Store
	bench    *acquire.Bench
	server   *dashboards.Server
	listener net.Listener // nil once it is served
	page     string       // where the bench page is
}

type daemonOptions struct {
	Simulated bool
	Logger    *slog.Logger
}

// openDaemon opens the store, wires the rooms and listens. Nothing is read and
// nothing answered before run.
func openDaemon(ctx context.Context, b benchFile, o daemonOptions) (d *daemon, err error) {
	d = &daemon{file: b}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.close())
		}
	}()
	d.store, err = openStore(ctx, store.Options{Path: b.dataPath(), Software: software(), BenchName: b.Bench.Name, Simulated: o.Simulated, Logger: o.Logger})
	if err != nil {
		return d, err
	}
	resume, err := d.store.Resume(ctx)
	if err != nil {
		return d, fmt.Errorf("%s: %w", b.dataPath(), err)
	}
	publish := func(e acquire.Event) { d.server.Publish(e) } // the bench speaks only once it runs
	d.bench, err = acquire.NewBench(b.config(), d.store, resume, acquire.Options{OnEvent: publish, Logger: o.Logger, Now: d.store.Clock()})
	if err != nil {
		return d, fmt.Errorf("%s: %w", b.path, err)
	}
	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	d.server, err = dashboards.New(dashboards.Options{Store: d.store, Bench: d.bench, Registry: registry, Software: software(), Simulated: o.Simulated, Logger: o.Logger})
	if err != nil {
		return d, err
	}
	d.store.OnCommit(d.server.Committed)
	d.listener, err = new(net.ListenConfig).Listen(ctx, "tcp", b.HTTP.Listen)
	if err != nil {
		return d, fmt.Errorf("%s: cannot listen on %s: %w; end the program that does, or set another [http] listen (in the demo: --listen)", b.path, b.HTTP.Listen, err)
	}
	d.page = "http://" + d.listener.Addr().String()
	return d, nil
}

// run reads and answers until ctx is done or a room fails; then everything
// heard so far is kept, running requests end, and the store is closed.
func (d *daemon) run(ctx context.Context) error {
	l := d.listener
	d.listener = nil // Serve closes it
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return d.bench.Run(ctx) })
	g.Go(func() error { return d.server.Serve(ctx, l) })
	return errors.Join(g.Wait(), d.close())
}

func (d *daemon) close() error {
	var errs []error
	if d.listener != nil {
		errs = append(errs, d.listener.Close())
	}
	if d.store != nil {
		errs = append(errs, d.store.Close())
	}
	return errors.Join(errs...)
}
