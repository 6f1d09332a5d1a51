package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"dwellwatch/api"
	"dwellwatch/fhir"
	"dwellwatch/internal/postgres"

	"github.com/tidwall/gjson"
)

// quarantineCommand does what the routes below /quarantine do, through the same handler, without listening.
type quarantineCommand struct {
	databaseSettings `embed:""`
	basisSettings    `embed:""`
	recordSettings   `embed:""`
	listenSettings   `embed:""`
	logSettings      `embed:""`
	JSON             bool `help:"Print JSON, one object per line."`

	List    quarantineList    `cmd:"" help:"List what is kept aside, without payloads. Example: dwellwatch quarantine list --feed lab"`
	Show    quarantineShow    `cmd:"" help:"Show one entry with all its faults; the payload only with --body. Example: dwellwatch quarantine show 7 --body"`
	Replay  quarantineReplay  `cmd:"" help:"Take entries through their door once more; what is taken leaves the quarantine. Example: dwellwatch quarantine replay 7 9"`
	Discard quarantineDiscard `cmd:"" help:"Delete one entry and its payload for good. Example: dwellwatch quarantine discard 7"`
}

// Help is shown by quarantine --help.
func (*quarantineCommand) Help() string {
	return `What a door could not read is kept aside for some days with its faults; the payload is kept only if its bytes tell of a filter, or name a followed patient or an entry of the same Bundle that tells of a filter. After the cause is gone (a feed's base URL, a newer version of this program) a replay takes it as if it came now, with the settings of this call: use those of the service. What is refused again stays, and so does what would not be kept because it is about nobody who is followed. An entry whose payload was not kept cannot be replayed; the sender must send it again.

The commands work on the configured database. The private cluster of a running service belongs to that service: there use its routes, GET /quarantine, GET and DELETE /quarantine/ID, POST /quarantine/ID/replay.

Exit status: 0 done, 1 if there is no such entry, if one was refused again, or on failure, 2 for wrong use.

Example: dwellwatch quarantine replay --all --feed lab`
}

// open gives the routes of the API over the configured database. done closes it.
func (c *quarantineCommand) open(ctx context.Context, io streams) (q *held, done func(), err error) {
	if err := errors.Join(c.databaseSettings.check(), c.recordSettings.check(), c.listenSettings.check()); err != nil {
		return nil, nil, err
	}
	basis, err := c.basis()
	if err != nil {
		return nil, nil, err
	}
	p, err := openDatabase(ctx, settings{databaseSettings: c.databaseSettings, recordSettings: c.recordSettings, listenSettings: c.listenSettings,
		basis: basis, now: time.Now, log: logger(io.err, max(c.LogLevel, quietest)), durable: true})
	if err != nil {
		return nil, nil, err
	}
	config := p.apiConfig(p.screener())
	config.Token, config.Caller = "", "command line"
	handler, err := api.New(config)
	if err != nil {
		p.close()
		return nil, nil, err
	}
	return &held{ctx: ctx, handler: handler, json: c.JSON, streams: io}, p.close, nil
}

type quarantineList struct {
	Feed string `help:"Only entries of this feed." placeholder:"NAME"`
}

// Run lists every entry.
func (l *quarantineList) Run(ctx context.Context, c *quarantineCommand, io streams) error {
	q, done, err := c.open(ctx, io)
	if err != nil {
		return err
	}
	defer done()
	var all []gjson.Result
	err = q.each(l.Feed, func(e gjson.Result) error {
		all = append(all, e)
		return nil
	})
	if err != nil {
		return err
	}
	return q.printList(all)
}

type quarantineShow struct {
	ID   int64 `arg:"" name:"id" help:"Number of the entry."`
	Body bool  `help:"Show the payload too. It is patient data, and the audit trail says that it was shown."`
}

// Run shows one entry.
func (s *quarantineShow) Run(ctx context.Context, c *quarantineCommand, io streams) error {
	q, done, err := c.open(ctx, io)
	if err != nil {
		return err
	}
	defer done()
	a := q.call(http.MethodGet, "/quarantine/"+number(s.ID)+"?body="+strconv.FormatBool(s.Body))
	if err := a.fault(s.ID); err != nil {
		return err
	}
	return q.printEntry(gjson.ParseBytes(a.body.Bytes()))
}

type quarantineReplay struct {
	IDs  []int64 `arg:"" optional:"" name:"id" help:"Numbers of entries."`
	All  bool    `help:"Every entry whose payload was kept, oldest first."`
	Feed string  `help:"With --all: only entries of this feed." placeholder:"NAME"`
}

// Run replays entries one by one; one that is refused does not keep the rest from being taken.
func (r *quarantineReplay) Run(ctx context.Context, c *quarantineCommand, io streams) error {
	if r.All == (len(r.IDs) > 0) || r.Feed != "" && !r.All {
		return usageError{"quarantine replay: name entries, or --all (then --feed may follow)"}
	}
	q, done, err := c.open(ctx, io)
	if err != nil {
		return err
	}
	defer done()
	ids, lost := r.IDs, 0
	if r.All {
		err := q.each(r.Feed, func(e gjson.Result) error {
			if !e.Get("replayable").Bool() {
				lost++
				return nil
			}
			ids = append(ids, e.Get("id").Int())
			return nil
		})
		if err != nil {
			return err
		}
	}
	refused := 0
	for _, id := range ids {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		a := q.call(http.MethodPost, "/quarantine/"+number(id)+"/replay")
		if a.status >= http.StatusBadRequest {
			refused++
		}
		if err := q.printReplay(id, a); err != nil {
			return err
		}
	}
	if lost > 0 {
		fmt.Fprintf(io.err, "dwellwatch: %d more cannot be replayed: their payloads were not kept; the senders must send them again\n", lost)
	}
	if refused > 0 {
		return fmt.Errorf("%d of %d were not taken", refused, len(ids))
	}
	return nil
}

type quarantineDiscard struct {
	ID int64 `arg:"" name:"id" help:"Number of the entry."`
}

// Run deletes one entry.
func (d *quarantineDiscard) Run(ctx context.Context, c *quarantineCommand, io streams) error {
	q, done, err := c.open(ctx, io)
	if err != nil {
		return err
	}
	defer done()
	if err := q.call(http.MethodDelete, "/quarantine/"+number(d.ID)).fault(d.ID); err != nil {
		return err
	}
	if c.JSON {
		return q.object(map[string]any{"id": d.ID, "discarded": true})
	}
	_, err = fmt.Fprintf(io.out, "%d discarded\n", d.ID)
	return err
}

// held calls the routes of the quarantine and prints what they answer.
type held struct {
	ctx     context.Context
	handler http.Handler
	json    bool
	streams
}

// call sends one request to the handler.
func (q *held) call(method, url string) *heldAnswer {
	a := &heldAnswer{header: http.Header{}, status: http.StatusOK}
	r, err := http.NewRequestWithContext(q.ctx, method, url, http.NoBody)
	if err != nil {
		a.status = http.StatusInternalServerError
		return a
	}
	r.Host = "localhost"
	q.handler.ServeHTTP(a, r)
	return a
}

// each gives every entry of a feed ("" for all) to f, page by page.
func (q *held) each(feed string, f func(gjson.Result) error) error {
	for after := int64(0); ; {
		a := q.call(http.MethodGet, "/quarantine?"+pageOf(feed, after))
		if err := a.fault(0); err != nil {
			return err
		}
		page := gjson.ParseBytes(a.body.Bytes())
		for _, e := range page.Get("entries").Array() {
			if err := f(e); err != nil {
				return err
			}
		}
		next := page.Get("next")
		if !next.Exists() {
			return nil
		}
		after = next.Int()
	}
}

// heldAnswer is the answer to one call.
type heldAnswer struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (a *heldAnswer) Header() http.Header         { return a.header }
func (a *heldAnswer) WriteHeader(status int)      { a.status = status }
func (a *heldAnswer) Write(b []byte) (int, error) { return a.body.Write(b) }

// fault gives the error that an answer tells; nil where it is a good one.
func (a *heldAnswer) fault(id int64) error {
	switch {
	case a.status < http.StatusBadRequest:
		return nil
	case a.status == http.StatusNotFound:
		return fmt.Errorf("there is no entry %d in the quarantine", id)
	}
	return fmt.Errorf("%d %s: %s", a.status, http.StatusText(a.status), gjson.GetBytes(a.body.Bytes(), "issue.0.details.text"))
}

func (q *held) object(v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(q.out, "%s\n", body)
	return err
}

func number(id int64) string { return strconv.FormatInt(id, 10) }

// holder reaches the quarantine for the API.
type holder struct{ store *postgres.Store }

func (h holder) List(ctx context.Context, feed string, after int64, limit int) ([]api.Held, error) {
	list, err := h.store.QuarantineList(ctx, feed, after, limit)
	out := make([]api.Held, len(list))
	for i, one := range list {
		out[i] = api.Held(one)
	}
	return out, err
}

func (h holder) Show(ctx context.Context, id int64) (api.Held, error) {
	one, err := h.store.QuarantineShow(ctx, id)
	return api.Held(one), err
}

func (h holder) Replayed(ctx context.Context, id int64, status int, issues []fhir.Issue, at time.Time) error {
	return h.store.QuarantineReplayed(ctx, id, status, issues, at)
}

func (h holder) Discard(ctx context.Context, id int64) error {
	return h.store.QuarantineDiscard(ctx, id)
}
