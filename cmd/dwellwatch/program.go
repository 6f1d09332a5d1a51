package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"slices"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/riverqueue/river"

	"dwellwatch/api"
	"dwellwatch/api/worklist"
	"dwellwatch/fhir"
	"dwellwatch/fhir/rest"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/feed"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/pgembed"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/internal/worker"
	"dwellwatch/internal/workup"
	"dwellwatch/internal/writeback"
	"dwellwatch/migrations"
)

// settings are all that a running service is made of.
type settings struct {
	databaseSettings
	recordSettings
	smartSettings
	listenSettings
	callerSettings
	promptSettings
	basis assess.Basis
	now   func() time.Time
	log   *slog.Logger
	// durable is false only for the demonstration's throw-away cluster.
	durable bool
}

// program is the running service.
type program struct {
	settings
	cluster *pgembed.Cluster
	// serverLog is what the private cluster logs to.
	serverLog *serverLog
	store     *postgres.Store
	queue     *river.Client[pgx.Tx]
	reach     *reach     // nil where no record is configured
	config    api.Config // what handler was made of
	handler   http.Handler
}

// openDatabase connects to the configured database, or runs the private cluster, and brings the schema up to date.
func openDatabase(ctx context.Context, s settings) (*program, error) {
	if err := s.databaseSettings.check(); err != nil {
		return nil, err
	}
	p := &program{settings: s}
	url := s.DatabaseURL
	if url == "" {
		if err := p.runCluster(ctx); err != nil {
			return nil, err
		}
		url = p.cluster.URL("postgres")
	}
	store, err := postgres.Open(ctx, url, postgres.Options{PullContext: s.RecordURL != "", HoldFor: time.Duration(s.basis.Policy.HoldDays) * 24 * time.Hour})
	if err != nil {
		p.close()
		if p.cluster == nil {
			err = fmt.Errorf("%s: %w", setting("database-url"), err)
		}
		return nil, err
	}
	p.store = store
	if err := migrations.Up(ctx, store.Pool(), s.log); err != nil {
		p.close()
		return nil, err
	}
	return p, nil
}

// runCluster starts the private cluster.
func (p *program) runCluster(ctx context.Context) error {
	p.serverLog = &serverLog{Handler: p.log.Handler(), stopping: new(atomic.Bool)}
	cluster, err := pgembed.Start(ctx, pgembed.Config{Dir: p.DataDir, Bin: p.PGBin, Durable: p.durable, Log: slog.New(p.serverLog)})
	if errors.Is(err, pgembed.ErrNoPrograms) && p.PGBin != "" {
		return usageError{setting("pg-bin") + ": this folder holds no PostgreSQL server programs (initdb and postgres, 14 or newer) that can be run"}
	}
	if err != nil {
		return fmt.Errorf("private PostgreSQL: %w", err)
	}
	p.cluster = cluster
	return nil
}

// start builds the whole service and begins to work the queue; the caller serves p.handler and must close p.
func start(ctx context.Context, s settings) (*program, error) {
	p, err := openDatabase(ctx, s)
	if err != nil {
		return nil, err
	}
	if err := p.build(ctx); err != nil {
		p.close()
		return nil, err
	}
	if p.RecordURL != "" {
		// What waits for a token need not wait longer: this start may have brought one.
		if err := p.store.Resume(ctx, writeback.AttentionToken); err != nil {
			p.close()
			return nil, err
		}
	}
	if err := p.queue.Start(context.WithoutCancel(ctx)); err != nil {
		p.close()
		return nil, fmt.Errorf("start the queue: %w", err)
	}
	return p, nil
}

func (p *program) build(ctx context.Context) error {
	number, err := p.store.RegisterBasis(ctx, p.basis.Digest(), p.basis.Policy.Name)
	if err != nil {
		return err
	}
	screener := p.screener()
	w := worker.Config{Store: p.store, Basis: p.basis, BasisNumber: number, Screener: screener, Now: p.now, Log: p.log, MaxWorkers: p.Workers, RescueAfter: p.RescueAfter,
		TokenRefused: tokenRefused}
	if p.RecordURL != "" {
		if err := p.connect(ctx, &w); err != nil {
			return err
		}
	}
	if p.queue, err = worker.New(w); err != nil {
		return err
	}
	registry := prometheus.NewRegistry()
	if err := registry.Register(newGauges(p.store.Gauges, p.reach, p.log)); err != nil {
		return fmt.Errorf("metrics: %w", err)
	}
	c := p.apiConfig(screener)
	if c.Pages, err = p.pages(); err != nil {
		return err
	}
	c.Registry = registry
	if err := p.admit(&c); err != nil {
		return err
	}
	hooks, err := p.prompts(ctx, number, screener)
	if err != nil {
		return err
	}
	c.Extra, c.CDSOrigins = slices.Concat(c.Extra, hooks.Routes()), p.CDSOrigins
	p.config = c
	p.handler, err = api.New(c)
	return err
}

func (p *program) screener() screen.Screener {
	return screen.Screener{Sets: p.basis.Sets, Models: p.basis.Models, Bases: p.bases()}
}

// bases gives the FHIR base of each feed's sender; the default feed's is the record.
func (p *program) bases() map[string]string {
	bases := map[string]string{}
	for name, url := range p.Feeds {
		bases[name] = url
	}
	bases[api.DefaultFeed] = p.RecordURL
	return bases
}

// connect gives the workers the record to read and write.
func (p *program) connect(ctx context.Context, w *worker.Config) error {
	p.reach = newReach(http.DefaultTransport, p.now, p.log)
	p.reach.renews = p.RecordClientID != ""
	tokens, err := p.tokens()
	if err != nil {
		return err
	}
	client, err := rest.New(rest.Config{BaseURL: p.RecordURL, Token: p.RecordToken, Tokens: tokens, Timeout: p.RecordTimeout, Now: p.now, HTTP: &http.Client{Transport: p.reach}})
	if err != nil {
		return err
	}
	site, err := p.site(ctx)
	if err != nil {
		return err
	}
	zoned := func() time.Time { return p.now().In(p.basis.Zone) }
	w.Converger = writeback.New(writeback.Config{Store: worker.WriteStore{Store: p.store}, Record: client, Site: site, Timeout: client.Timeout(), Now: zoned,
		Render: func(d compose.Document) ([]byte, error) {
			return caseOf(d).PDF(workup.Paper(p.Paper))
		}})
	w.Puller = &feed.Puller{Store: p.store, Record: client, Screen: w.Screener.Item, Now: p.now, Log: p.log}
	return nil
}

// deskOf gives what carries out decisions of people.
func (p *program) deskOf() desk.Desk {
	return desk.Desk{Config: desk.Config{Store: p.store, Basis: p.basis, Bases: p.bases(), Paper: p.Paper, Now: p.now}}
}

// pages are what people see.
func (p *program) pages() (*worklist.Pages, error) {
	return worklist.New(worklist.Config{Desk: p.deskOf(), Quarantine: p.store, Feeds: p.store.Feeds, Gauges: p.store.Gauges,
		FeedNames: slices.Sorted(maps.Keys(p.bases())), Now: p.now, Log: p.log})
}

func (p *program) apiConfig(screener screen.Screener) api.Config {
	mentioner := screener.Mentioner()
	return api.Config{
		Accept: func(ctx context.Context, items []screen.Item) ([]screen.Outcome, error) {
			return p.store.Accept(ctx, items, p.now())
		},
		Screen: screener.Item,
		Mentions: func(ctx context.Context, feed string, body []byte) bool {
			body = fhir.Unescaped(body)
			if mentioner.Mentions(body) {
				return true
			}
			followed, err := p.store.Follows(ctx, feed, screen.Patients(body))
			return followed || err != nil // in doubt the bytes are kept
		},
		Quarantine: func(ctx context.Context, r api.Refused) error {
			return p.store.Quarantine(ctx, postgres.Refused(r), p.basis.Policy.QuarantineDays)
		},
		AcceptHeld: p.store.AcceptHeld, Clashes: p.store.Clashes, Held: holder{p.store},
		Audit: func(ctx context.Context, r api.AuditRow) error { return p.store.Audit(ctx, postgres.Entry(r)) },
		Ready: func(ctx context.Context) error { return p.store.Pool().Ping(ctx) },
		Assess: func(resources []fhir.Resource, on filter.Day) ([][]byte, error) {
			out, err := assessAll(resources, nil, p.basis, on)
			if err != nil || len(out.patients) == 0 {
				return nil, err // the API has its own words for a body that names no patient
			}
			return out.lines(), nil
		},
		Now: p.now, Zone: p.basis.Zone, Log: p.log, Feeds: p.bases(), PublicURL: p.PublicURL, Token: p.Token, BodyLimit: p.BodyLimit, Version: version(),
	}
}

// serve answers on l until ctx ends, then lets running requests finish.
func (p *program) serve(ctx context.Context, l net.Listener) error {
	server := &http.Server{Handler: p.handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 2 * time.Minute, WriteTimeout: 2 * time.Minute, IdleTimeout: 2 * time.Minute,
		ErrorLog: slog.NewLogLogger(p.log.Handler(), slog.LevelWarn)}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(l) }()
	if p.config.People != nil {
		go p.config.People.Look(ctx) // it only warns; the machines need not wait for it
	}
	select {
	case err := <-failed:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
	defer cancel()
	if err := server.Shutdown(grace); err != nil && !errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("shut down: %w", err)
	}
	return nil
}

// close stops the queue, the pool and the private cluster, in this order.
func (p *program) close() {
	grace, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if p.serverLog != nil {
		p.serverLog.stopping.Store(true)
	}
	if p.queue != nil {
		soft, done := context.WithTimeout(grace, 10*time.Second)
		if err := p.queue.Stop(soft); err != nil {
			if err := p.queue.StopAndCancel(grace); err != nil {
				p.log.Warn("the queue did not stop in time; its jobs are taken up again later")
			}
		}
		done()
	}
	if p.store != nil {
		p.store.Close()
	}
	if p.cluster != nil {
		if err := p.cluster.Stop(grace); err != nil {
			p.log.Warn("the private PostgreSQL did not stop cleanly", "error", err)
		}
	}
}

// commit is set by the linker in a build from a checkout.
var commit string

// version gives the version and, where it is known, the commit it was built from.
func version() string {
	if commit == "" {
		return "0.1.0"
	}
	return "0.1.0+" + commit
}
