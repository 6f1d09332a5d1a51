package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"sync"

	"github.com/tidwall/gjson"

	"dwellwatch/api"
	"dwellwatch/api/cdshooks"
	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/internal/worker"
)

// promptSettings say who may call the prompts in the record from a browser, and whose patients a client means.
type promptSettings struct {
	CDSOrigins []string `help:"Origins of CDS clients that run in a browser: https://ehr.example.org" env:"DWELLWATCH_CDS_ORIGINS" placeholder:"ORIGIN,…" sep:","`
	CDSServers pairs    `help:"FHIR servers as CDS clients call them, each with the feed whose patients it has: https://ehr.example.org/r4=default. The bases of the feeds themselves are known; a patient of any other server is nobody followed here." env:"DWELLWATCH_CDS_SERVERS" placeholder:"URL=FEED;…"`
}

// check refuses what would let nobody call, or look a patient up at the wrong place.
func (s promptSettings) check(feeds feedMap) error {
	for _, origin := range s.CDSOrigins {
		u, err := url.Parse(origin)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.Scheme+"://"+u.Host != origin {
			return usageError{setting("cds-origins") + ": an origin is scheme://host or scheme://host:port, with nothing behind it"}
		}
	}
	for server, feed := range s.CDSServers {
		if fault := baseFault(server); fault != "" {
			return usageError{setting("cds-servers") + ": write URL=feed; " + fault}
		}
		if _, known := feeds[feed]; !known && feed != api.DefaultFeed {
			return usageError{fmt.Sprintf("%s: %q is no feed", setting("cds-servers"), feed)}
		}
	}
	return nil
}

// prompter does for the prompts what needs the database.
type prompter struct {
	*program
	basisNumber int64
	screener    screen.Screener
	site        compose.Site
	desk        desk.Desk
	said        answerCache
}

// prompts gives the service of CDS Hooks.
func (p *program) prompts(ctx context.Context, basisNumber int64, screener screen.Screener) (*cdshooks.Service, error) {
	site, err := p.site(ctx)
	if err != nil {
		return nil, err
	}
	h := &prompter{program: p, basisNumber: basisNumber, screener: screener, site: site, desk: p.deskOf()}
	return cdshooks.New(cdshooks.Config{
		Known: h.known, Record: h.record, Reconcile: h.reconcile, Task: h.task, Show: h.show, Feedback: h.feedback, Snooze: h.snooze, Page: h.page,
		Follow: func(ctx context.Context, items []screen.Item) error {
			_, err := p.store.Accept(ctx, items, p.now())
			return err
		},
		Screener: screener, Basis: p.basis, Now: p.now, Log: p.log, Servers: p.CDSServers, Origins: p.CDSOrigins, BodyLimit: p.BodyLimit,
	})
}

func (h *prompter) known(ctx context.Context, feed, patient string, on filter.Day, given []fhir.Resource) (cdshooks.Known, error) {
	got, err := h.store.Prompt(ctx, feed, patient, h.basisNumber, on, given)
	if err != nil {
		return cdshooks.Known{}, err
	}
	k := cdshooks.Known{Person: got.Person, Written: got.Written, Same: got.Same}
	said, err := h.said.of(ctx, h.store, got.Person, got.Saves)
	switch {
	case errors.Is(err, fault.NotFound): // not assessed yet
		return k, nil
	case err != nil:
		return cdshooks.Known{}, err
	}
	k.Referrals = said.referrals
	if got.Holds && said.saves == got.Saves {
		k.Saved = &said.assessment
	}
	return k, nil
}

// answer is a saved answer as it is read.
type answer struct {
	saves      int64
	assessment assess.Assessment
	referrals  []draft.Referral
}

// answerCache keeps answers that were read, because reading one takes longer than all the rest of a prompt. What is kept is never
// changed; a save makes another number, under which it is read anew.
type answerCache struct {
	mu       sync.Mutex
	byPerson map[string]*answer
}

// maxAnswers bounds the cache: an answer takes about 50 kB, and a chart is opened by several people within minutes.
const maxAnswers = 400

// of gives the newest answer about a person, which is at least the one of the number.
func (c *answerCache) of(ctx context.Context, store *postgres.Store, person string, saves int64) (*answer, error) {
	c.mu.Lock()
	have := c.byPerson[person]
	c.mu.Unlock()
	if have != nil && have.saves == saves {
		return have, nil
	}
	got, err := store.Answered(ctx, person)
	if err != nil {
		return nil, err
	}
	a := &answer{saves: got.Saves, referrals: got.Referrals}
	if err := json.Unmarshal(got.Answer, &a.assessment); err != nil {
		return nil, fmt.Errorf("read a saved answer: %w", err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.byPerson == nil || len(c.byPerson) >= maxAnswers {
		c.byPerson = map[string]*answer{}
	}
	c.byPerson[person] = a
	return a, nil
}

func (h *prompter) record(ctx context.Context, person string) (assess.Record, error) {
	rec, err := h.store.Record(ctx, person)
	if err != nil {
		return assess.Record{}, err
	}
	taken, err := h.taken(ctx, rec)
	return worker.Input(rec, h.screener, taken), err
}

// taken gives the keys of our Tasks in a chart that are another person's: a merge that was taken back leaves them in both.
func (h *prompter) taken(ctx context.Context, rec postgres.Record) ([]string, error) {
	var keys []string
	for _, s := range rec.Resources {
		if s.Resource.Type != "Task" {
			continue
		}
		for _, v := range gjson.GetBytes(s.Resource.Raw, "identifier").Array() {
			key := v.Get("value").String()
			if v.Get("system").String() == compose.SeriesSystem && !slices.ContainsFunc(slices.Concat(rec.Merged, rec.Keys), func(k filter.KnownKey) bool { return k.Key == key }) {
				keys = append(keys, key)
			}
		}
	}
	if len(keys) == 0 {
		return nil, nil
	}
	return h.store.TakenKeys(ctx, rec.Person, keys)
}

func (h *prompter) reconcile(before []draft.Referral, result assess.Result, on filter.Day) []draft.Referral {
	after, _ := draft.Reconcile(before, result.Wants(), result.Tasks, worker.Pace(h.basis.Policy), on)
	return after
}

func (h *prompter) task(a assess.Assessment, r draft.Referral) ([]byte, error) {
	return compose.Task(compose.Document{Assessment: a, Referral: r}, h.site, h.now().In(h.basis.Zone), "")
}

func (h *prompter) show(ctx context.Context, s cdshooks.Shown) (bool, error) {
	quiet := 0
	if s.Once {
		quiet = h.basis.Policy.CardQuietDays
	}
	return h.store.Show(ctx, postgres.Showing{Card: s.Card.UUID, Service: s.Service, Kind: string(s.Kind), Issuer: s.Issuer, Tenant: s.Tenant, User: s.User, Feed: s.Feed, Patient: s.Patient,
		Occasion: s.Occasion, Rank: s.Rank, Matter: s.Matter, Key: s.Followed, On: s.On, QuietDays: quiet})
}

func (h *prompter) feedback(ctx context.Context, f cdshooks.Fed) (cdshooks.Told, bool, error) {
	told, known, err := h.store.Feedback(ctx, postgres.Feedback(f))
	return cdshooks.Told(told), known, err
}

// page gives the address of a filter's page; "" where people cannot reach this service by a name of its own.
func (h *prompter) page(ctx context.Context, key string) (string, error) {
	if h.PublicURL == "" {
		return "", nil
	}
	page, err := h.store.PageKey(ctx, key)
	if err != nil {
		return "", err
	}
	return url.JoinPath(h.PublicURL, "worklist", "filters", page)
}

// snooze puts a referral off at the desk, as the worklist does.
func (h *prompter) snooze(ctx context.Context, key string, d cdshooks.Decision) error {
	page, err := h.store.PageKey(ctx, key)
	if err != nil {
		return err
	}
	// The record's client knows the person by a reference only; it stands for the name too.
	by := desk.Caller{Subject: d.By, Author: entry.Author{Name: d.By, Reference: d.By}}
	err = h.desk.Decide(ctx, desk.Form{Page: page, Token: "card|" + d.Token, Said: d.Why + "|" + d.Until.String(), Unseen: true, By: by, Why: d.Why}, draft.Snooze, d.Until)
	if errors.Is(err, fault.Superseded) {
		return fmt.Errorf("the referral changed at this moment: %w", fault.Unavailable)
	}
	return err
}

// site is what the place decides of what we write.
func (p *program) site(ctx context.Context) (compose.Site, error) {
	installation, err := p.store.Installation(ctx)
	if err != nil {
		return compose.Site{}, err
	}
	return compose.Site{Installation: installation.String(), Version: version(), ClinicOwner: p.ClinicOwner, CoordinatorOwner: p.CoordinatorOwner, Custodian: p.Custodian}, nil
}
