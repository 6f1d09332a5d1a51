package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"time"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/worker"
	"dwellwatch/migrations"
)

type serveCommand struct {
	databaseSettings `embed:""`
	basisSettings    `embed:""`
	recordSettings   `embed:""`
	smartSettings    `embed:""`
	listenSettings   `embed:""`
	callerSettings   `embed:""`
	promptSettings   `embed:""`
	logSettings      `embed:""`
}

// Run serves until the process is told to stop.
func (c *serveCommand) Run(ctx context.Context, io streams) error {
	if err := errors.Join(c.checkListen(c.credentials()), c.databaseSettings.check(), c.recordSettings.check(), c.smartSettings.check(c.recordSettings), c.listenSettings.check(),
		c.callerSettings.check(c.Feeds, c.PublicURL, c.Listen), c.promptSettings.check(c.Feeds)); err != nil {
		return err
	}
	basis, err := c.basis()
	if err != nil {
		return err
	}
	log := logger(io.err, c.LogLevel)
	tellBasis(log, basis)
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	defer l.Close()
	p, err := start(ctx, settings{databaseSettings: c.databaseSettings, recordSettings: c.recordSettings, smartSettings: c.smartSettings,
		listenSettings: c.listenSettings, callerSettings: c.callerSettings, promptSettings: c.promptSettings, basis: basis, now: time.Now, log: log, durable: true})
	if err != nil {
		return err
	}
	defer p.close()
	log.Info("serving", "address", l.Addr().String(), "version", version(), "record", c.RecordURL != "", "zone", c.Zone)
	if c.RecordURL == "" {
		log.Warn("no record is configured: nothing is read or written back; drafts wait in the database")
	}
	if c.RecordURL != "" && (c.ClinicOwner == "" || c.CoordinatorOwner == "") {
		log.Warn("clinic or coordinator has no owner: their drafts carry a performer type only, and a draft without owner is read by nobody")
	}
	return p.serve(ctx, l)
}

func logger(w io.Writer, level slog.Level) *slog.Logger {
	return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level}))
}

type migrateCommand struct {
	databaseSettings `embed:""`
	logSettings      `embed:""`
}

// Run brings the schema up to date and says where it stands.
func (c *migrateCommand) Run(ctx context.Context, io streams) error {
	p, err := openDatabase(ctx, settings{databaseSettings: c.databaseSettings, log: logger(io.err, c.LogLevel), durable: true})
	if err != nil {
		return err
	}
	defer p.close()
	at, err := migrations.Version(ctx, p.store.Pool())
	if err != nil {
		return err
	}
	fmt.Fprintf(io.out, "schema version %d of %d\n", at, migrations.Latest())
	return nil
}

type sweepCommand struct {
	databaseSettings `embed:""`
	basisSettings    `embed:""`
	logSettings      `embed:""`
	On               string `help:"Day to sweep for (YYYY-MM-DD). Default: today in the facility's zone." placeholder:"DAY"`
}

// Run queues everyone who is due; a running service does the work.
func (c *sweepCommand) Run(ctx context.Context, io streams) error {
	basis, err := c.basis()
	if err != nil {
		return err
	}
	day, err := dayOf(c.On, basis.Zone)
	if err != nil {
		return err
	}
	p, err := openDatabase(ctx, settings{databaseSettings: c.databaseSettings, basis: basis, log: logger(io.err, c.LogLevel), durable: true})
	if err != nil {
		return err
	}
	defer p.close()
	number, err := p.store.RegisterBasis(ctx, basis.Digest(), basis.Policy.Name)
	if err != nil {
		return err
	}
	n, err := worker.Sweep(ctx, p.store, day, number, time.Duration(p.basis.Policy.EraseDays)*24*time.Hour)
	if err != nil {
		return err
	}
	fmt.Fprintf(io.out, "queued %d assessments for %s\n", n, day)
	return nil
}

// dayOf reads a day, or takes today in the zone.
func dayOf(text string, zone *time.Location) (filter.Day, error) {
	if text == "" {
		t := time.Now().In(zone)
		return filter.NewDay(t.Year(), t.Month(), t.Day()), nil
	}
	day, err := filter.ParseDay(text)
	if err != nil {
		return 0, usageError{err.Error()}
	}
	return day, nil
}

type versionCommand struct{}

// Run prints the version.
func (versionCommand) Run(io streams) error {
	_, err := fmt.Fprintln(io.out, "dwellwatch", version())
	return err
}
