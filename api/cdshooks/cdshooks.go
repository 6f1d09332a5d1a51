// Package cdshooks answers CDS Hooks (https://cds-hooks.hl7.org/2.0/): discovery, four hooks and feedback. A followed patient is
// assessed on the spot from the stored chart and what the call brings; of anybody else only the call is looked at.
//
// It must never store an assessment, fetch what a request names, use or log the access token that a request may carry, or put
// anything of a patient into a log or an error text.
package cdshooks

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"strings"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/cards"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"
)

// DefaultBodyLimit is how many bytes a body may have, unpacked, where Config gives no other limit.
const DefaultBodyLimit = 10 << 20

// defaultFeed is the feed of the record itself.
const defaultFeed = "default"

// Known is what is known of a followed patient.
type Known struct {
	Person string
	// Saved is the newest assessment where it still holds today; nil otherwise. It is shared: nobody may change it.
	Saved     *assess.Assessment
	Referrals []draft.Referral
	Written   []string // keys of which a Task was written
	// Same says that each of the resources that the call brought is stored with the same content.
	Same bool
}

// Shown is a card that is about to be shown, with what decides whether it may be.
type Shown struct {
	cards.Offer
	Service, Issuer, Tenant, User, Feed, Patient string
	Followed                                     string // Key where the patient is followed; "" otherwise
	On                                           filter.Day
}

// Fed is one entry of feedback.
type Fed struct {
	Card, Service, Outcome, Reason string
	At                             time.Time
	Issuer, Tenant, By             string
}

// Told is what is known of a card that was fed back. Key is "" where the patient is not followed; Same says that Fed.By is the
// clinician who was shown the card.
type Told struct {
	Key  string
	Same bool
}

// Decision puts a referral off: who, why, and until which day. The same Token stands for the same decision, told again.
type Decision struct {
	Token   string
	By, Why string
	Until   filter.Day
}

// Config is what the service needs of the rest of the program. Every function must be set.
type Config struct {
	// Known looks a patient of a feed up; fault.NotFound: nobody follows them. given is what the call brings about the patient.
	Known func(ctx context.Context, feed, patient string, on filter.Day, given []fhir.Resource) (Known, error)
	// Record reads the stored record of a person.
	Record func(ctx context.Context, person string) (assess.Record, error)
	// Reconcile gives the referrals as the service itself would have them after an assessment.
	Reconcile func(before []draft.Referral, result assess.Result, on filter.Day) []draft.Referral
	// Task builds the draft Task of a referral.
	Task func(a assess.Assessment, r draft.Referral) ([]byte, error)
	// Follow hands resources of a feed to its door, so that their patient is followed.
	Follow func(ctx context.Context, items []screen.Item) error
	// Show notes a card and reports whether it may be shown.
	Show func(ctx context.Context, s Shown) (bool, error)
	// Feedback stores what became of a card; false where no such card was shown.
	Feedback func(ctx context.Context, f Fed) (Told, bool, error)
	// Snooze puts the referral of a filter off; fault.Invalid where that is refused. Told again it changes nothing.
	Snooze func(ctx context.Context, key string, d Decision) error
	// Page gives the absolute address of a filter's page; "" where there is none.
	Page func(ctx context.Context, key string) (string, error)

	Screener screen.Screener
	Basis    assess.Basis
	Now      func() time.Time
	Log      *slog.Logger
	// Servers gives the feed of a client's FHIR server by its base URL, where the base of the feed itself is another.
	Servers map[string]string
	// Origins are the origins of browser clients that may call.
	Origins []string
	// BodyLimit is how many bytes a body may have after unpacking; 0 stands for DefaultBodyLimit.
	BodyLimit int64
}

// Service answers the routes of CDS Hooks.
type Service struct {
	Config
	feeds map[string]string // by base URL without scheme
}

// New gives the service. The error names what is missing in the configuration.
func New(c Config) (*Service, error) {
	for name, missing := range map[string]bool{
		"Known": c.Known == nil, "Record": c.Record == nil, "Reconcile": c.Reconcile == nil, "Task": c.Task == nil, "Follow": c.Follow == nil, "Show": c.Show == nil,
		"Feedback": c.Feedback == nil, "Snooze": c.Snooze == nil, "Page": c.Page == nil, "Now": c.Now == nil, "Log": c.Log == nil, "Basis.Zone": c.Basis.Zone == nil,
	} {
		if missing {
			return nil, errors.New("cdshooks: " + name + " is not set")
		}
	}
	if c.BodyLimit == 0 {
		c.BodyLimit = DefaultBodyLimit
	}
	s := &Service{Config: c, feeds: map[string]string{}}
	for feed, base := range c.Screener.Bases {
		if base != "" {
			s.feeds[bare(base)] = feed
		}
	}
	for server, feed := range c.Servers {
		s.feeds[bare(server)] = feed
	}
	return s, nil
}

// feed gives the feed of a client's FHIR server: the one whose base it is, or that is configured for it. "" stands for a server that is
// none of these, whose patients are nobody's here. A client that names no server means the record, and so does every client where
// neither the record's address nor a list of servers is configured.
func (s *Service) feed(server string) string {
	feed, known := s.feeds[bare(server)]
	switch {
	case known:
		return feed
	case server == "", s.Screener.Bases[defaultFeed] == "" && len(s.Servers) == 0:
		return defaultFeed
	}
	return ""
}

// bare is a base URL as it is compared: without scheme and without a slash at its end (http://hl7.org/fhir/R4/http.html#general).
func bare(url string) string {
	if _, rest, ok := strings.Cut(url, "://"); ok {
		url = rest
	}
	return strings.TrimSuffix(url, "/")
}

// today is the facility's calendar day.
func (s *Service) today() filter.Day {
	return filter.NewDay(s.Now().In(s.Basis.Zone).Date())
}

// reply is the answer to a hook. Cards is never null.
type reply struct {
	Cards []cards.Card `json:"cards"`
}

func encode(v any) ([]byte, error) {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return []byte(strings.TrimSuffix(b.String(), "\n")), nil
}
