package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/pgembed"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/sandbox"
)

type demoCommand struct {
	programSettings `embed:""`

	Once      bool   `help:"Exit after the second feeding instead of serving."`
	Keep      bool   `help:"Keep the demonstration's database and use it again, instead of a fresh one."`
	Listen    string `help:"Loopback address of the doors; a free port is taken where it is busy." default:"127.0.0.1:8088"`
	Documents string `help:"Folder to write the referrals' documents to. Default: a new one among the temporary files." placeholder:"DIR"`
	Verbose   bool   `help:"Show the service's log on standard error." short:"v"`
}

// settleTime bounds how long the demonstration waits for the queue to come to rest.
const settleTime = 90 * time.Second

// hospitalStay is the running demonstration: the service, the record beside it, and the doors' address.
type hospitalStay struct {
	program *program
	record  *sandbox.Record
	client  *rest.Client
	doors   string
	out     io.Writer
	http    *http.Client
}

// Run shows the whole job: the invented hospital's resources go in at the doors, everything twice, and the drafts are read
// back from the record.
func (c *demoCommand) Run(ctx context.Context, io streams) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	patients, err := demo.Hospital()
	if err != nil {
		return err
	}
	stay, done, err := c.open(ctx, io)
	if err != nil {
		return err
	}
	defer done()
	fmt.Fprintf(io.out, "dwellwatch demonstration: %s in %s, every person and device invented; the day is %s.\n", demo.Name, demo.City, demo.Day)
	fmt.Fprintf(io.out, "Doors %s/fhir   record %s\n\n", stay.doors, stay.program.RecordURL)

	for i, title := range []string{"First feeding", "Second feeding: everything again"} {
		fmt.Fprintf(io.out, "%s …", title)
		began := time.Now()
		n, err := stay.feed(ctx, patients, i == 0)
		if err != nil {
			return err
		}
		fmt.Fprintf(io.out, " %d resources through the doors, at rest after %.1f s\n", n, time.Since(began).Seconds())
		if i == 0 {
			if err := stay.table(ctx, patients); err != nil {
				return err
			}
		}
		if err := stay.counts(ctx, title); err != nil {
			return err
		}
	}
	if err := stay.readBack(ctx); err != nil {
		return err
	}
	if err := stay.documents(ctx, c.Documents); err != nil {
		return err
	}
	if c.Once {
		return nil
	}
	fmt.Fprintf(io.out, "\nThe worklist: %s/worklist (sign in by any name; clinician and coordinator see most)\n", stay.doors)
	fmt.Fprintf(io.out, "Serving until Ctrl-C. Try: curl -s %s/fhir/metadata | head -c 300\n", stay.doors)
	<-ctx.Done()
	return nil
}

// open starts record, database and service. done closes them.
func (c *demoCommand) open(ctx context.Context, io streams) (*hospitalStay, func(), error) {
	log := slog.New(slog.DiscardHandler)
	if c.Verbose {
		log = logger(io.err, slog.LevelInfo)
	}
	day, err := time.Parse("2006-01-02", demo.Day)
	if err != nil {
		return nil, nil, err
	}
	began := time.Now()
	now := func() time.Time { return day.Add(9*time.Hour + time.Since(began)) }
	dir, err := c.databaseDir(ctx)
	if err != nil {
		return nil, nil, err
	}
	record, err := sandbox.New(sandbox.Config{Now: now})
	if err != nil {
		return nil, nil, err
	}
	recordListener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, nil, err
	}
	recordServer := &http.Server{Handler: record.Handler(), ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = recordServer.Serve(recordListener) }()
	closeRecord := func() { _ = recordServer.Close() }

	models, err := chart.ReadCatalogue(demo.Catalogue())
	if err != nil {
		closeRecord()
		return nil, nil, err
	}
	site, err := demo.ValueSets()
	if err != nil {
		closeRecord()
		return nil, nil, err
	}
	sets, err := chart.LoadSets(site...)
	if err != nil {
		closeRecord()
		return nil, nil, err
	}
	s := settings{basis: assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC}, now: now, log: log}
	s.DataDir, s.programSettings = dir, c.programSettings
	s.RecordURL = "http://" + recordListener.Addr().String()
	s.RecordTimeout = 20 * time.Second
	s.LocalSignin, s.SessionIdle, s.SessionLifetime = true, time.Hour, 12*time.Hour
	s.ClinicOwner, s.CoordinatorOwner = "Organization/alder-bay-retrieval-clinic", "Organization/alder-bay-filter-coordinator"
	p, err := start(ctx, s)
	if err != nil {
		closeRecord()
		return nil, nil, err
	}
	l, err := c.listen()
	if err != nil {
		p.close()
		closeRecord()
		return nil, nil, err
	}
	client, err := rest.New(rest.Config{BaseURL: s.RecordURL})
	if err != nil {
		p.close()
		closeRecord()
		return nil, nil, err
	}
	stay := &hospitalStay{program: p, record: record, client: client, doors: "http://" + l.Addr().String(), out: io.out, http: &http.Client{Timeout: time.Minute}}
	serving, stop := context.WithCancel(ctx)
	var served sync.WaitGroup
	served.Go(func() { _ = p.serve(serving, l) })
	record.OnChange(stay.forward)
	return stay, func() {
		closeRecord()
		stop()
		served.Wait()
		p.close()
		if !c.Keep {
			c.remove(dir)
		}
	}, nil
}

// databaseDir gives the folder of the demonstration's cluster: a kept one, or a fresh one.
func (c *demoCommand) databaseDir(ctx context.Context) (string, error) {
	if c.Keep {
		base := "/var/lib/dwellwatch"
		if os.Geteuid() != 0 {
			home, err := os.UserHomeDir()
			if err != nil {
				return "", err
			}
			base = filepath.Join(home, ".local", "share", "dwellwatch")
		}
		return filepath.Join(base, "demo"), nil
	}
	dir, err := os.MkdirTemp("", "dwdemo-")
	if err != nil {
		return "", err
	}
	return dir, os.Chmod(dir, 0o711)
}

func (c *demoCommand) remove(dir string) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	_ = pgembed.Remove(ctx, dir)
}

func (c *demoCommand) listen() (net.Listener, error) {
	host, _, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return nil, usageError{"listen: " + err.Error()}
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return nil, usageError{"the demonstration listens on a loopback address only"}
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return net.Listen("tcp", net.JoinHostPort(host, "0"))
	}
	return l, nil
}

// feed sends every step of every patient through the doors, waits for rest after each round of steps, and gives the number
// of resources delivered. The first time the record takes each step too, as the place where it happened.
func (h *hospitalStay) feed(ctx context.Context, patients []demo.Patient, first bool) (int, error) {
	total := 0
	for round := 0; ; round++ {
		sent := false
		for _, p := range patients {
			if round >= len(p.Steps) {
				continue
			}
			sent = true
			body := p.Steps[round].Bundle
			if first {
				if err := h.record.Load(body); err != nil {
					return total, fmt.Errorf("%s: %w", p.Steps[round].File, err)
				}
			}
			n, err := h.deliver(ctx, http.MethodPost, "/fhir", body)
			if err != nil {
				return total, fmt.Errorf("%s: %w", p.Steps[round].File, err)
			}
			total += n
		}
		if !sent {
			return total, nil
		}
		if err := h.rest(ctx); err != nil {
			return total, err
		}
	}
}

// deliver sends a body to the doors and counts the entries of the answer.
func (h *hospitalStay) deliver(ctx context.Context, method, path string, body []byte) (int, error) {
	req, err := http.NewRequestWithContext(ctx, method, h.doors+path, bytes.NewReader(body))
	if err != nil {
		return 0, err
	}
	if len(body) > 0 {
		req.Header.Set("Content-Type", "application/fhir+json")
	}
	resp, err := h.http.Do(req)
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		return 0, err
	}
	if resp.StatusCode >= 300 {
		return 0, fmt.Errorf("the doors answered %d: %s", resp.StatusCode, answer)
	}
	var bundle struct {
		Entry []json.RawMessage `json:"entry"`
	}
	if err := json.Unmarshal(answer, &bundle); err != nil {
		return 0, err
	}
	return max(1, len(bundle.Entry)), nil
}

// forward tells the doors of every change in the record, as a subscription would: our own writes come back this way.
func (h *hospitalStay) forward(kind, typ, id string, body []byte) {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	if _, err := h.deliver(ctx, kind, "/fhir/"+typ+"/"+id, body); err != nil {
		h.program.log.Warn("a change of the record was not delivered", "type", typ)
	}
}

// rest waits until no job is left to be worked.
func (h *hospitalStay) rest(ctx context.Context) error {
	deadline := time.Now().Add(settleTime)
	for quiet := 0; quiet < 3; {
		n, err := h.program.store.Pending(ctx, time.Minute)
		if err != nil {
			return err
		}
		quiet++
		if n > 0 {
			quiet = 0
		}
		if time.Now().After(deadline) {
			return errors.New("the queue did not come to rest")
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
	return nil
}

// ours finds our own entries of a type in the record, by the identifier system.
func (h *hospitalStay) ours(ctx context.Context, kind string) ([]json.RawMessage, error) {
	return h.client.Search(ctx, kind, url.Values{"identifier": {chart.SeriesSystem + "|"}}, 1000)
}

func (h *hospitalStay) counts(ctx context.Context, after string) error {
	var parts []string
	for _, kind := range []string{"Task", "DocumentReference", "Provenance"} {
		list, err := h.ours(ctx, kind)
		if kind == "Provenance" {
			list, err = h.client.Search(ctx, kind, url.Values{}, 1000)
		}
		if err != nil {
			return err
		}
		parts = append(parts, fmt.Sprintf("%d %s", len(list), kind))
	}
	fmt.Fprintf(h.out, "In the record after the %s: %s\n", strings.ToLower(strings.SplitN(after, ":", 2)[0]), strings.Join(parts, ", "))
	return nil
}
